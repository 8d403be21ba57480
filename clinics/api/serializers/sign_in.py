"""Tokens, and who is signed in, in JSON."""

from typing import Any

from rest_framework import serializers

from core.api.fields import AwareDateTimeField


class TokenIn(serializers.Serializer[Any]):
    """Who signs in."""

    user_name = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)


class TokenOut(serializers.Serializer[Any]):
    """A token: shown once, kept by us as a hash."""

    token = serializers.CharField(help_text="Send it as `Authorization: Bearer <token>`")
    expires_at = AwareDateTimeField()


class PasswordIn(serializers.Serializer[Any]):
    """A new password, and the current one to show that it is you."""

    current = serializers.CharField(max_length=128, trim_whitespace=False)
    new = serializers.CharField(min_length=12, max_length=128, trim_whitespace=False)


class ClinicBrief(serializers.Serializer[Any]):
    """A clinic by name."""

    id = serializers.IntegerField()
    name = serializers.CharField()
    time_zone = serializers.CharField()


class RoleOut(serializers.Serializer[Any]):
    """A role, at a clinic or (null) in the whole chain."""

    role = serializers.CharField()
    clinic = ClinicBrief(allow_null=True)


class MeOut(serializers.Serializer[Any]):
    """Who is signed in, and what they may do now."""

    staff_member = serializers.IntegerField(source="staff.pk")
    name = serializers.CharField(source="staff.name")
    resource = serializers.IntegerField(source="staff.resource_id")
    user_name = serializers.CharField(source="staff.user.username")
    chain = serializers.IntegerField(source="staff.chain.pk")
    chain_name = serializers.CharField(source="staff.chain.name")
    roles = RoleOut(many=True)
    may = serializers.ListField(
        child=serializers.CharField(), help_text="Actions that some role allows somewhere"
    )
