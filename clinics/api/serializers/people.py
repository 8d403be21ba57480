"""Staff, sign-ins, credentials, shifts and roles in JSON."""

from typing import Any

from rest_framework import serializers

from clinics.api.fields import WavelengthsField
from clinics.api.serializers.shared import ROW, BoundedPeriodSerializer, DespiteVisits, FixedFields
from clinics.models import Credential, Membership, Shift, StaffMember
from core.api.serializers import RowSerializer, ValidDatesSerializer, ValidInstantsSerializer


class StaffMemberSerializer(RowSerializer):
    """A person who works for the chain. `resource` is what their reservations name."""

    user_name = serializers.CharField(
        source="user.username",
        read_only=True,
        allow_null=True,
        default=None,
        help_text="Their sign-in, if any",
    )

    class Meta:
        model = StaffMember
        fields = (*ROW, "name", "active", "resource", "user_name")
        read_only_fields = ("version", "resource")


class SignInIn(serializers.Serializer[Any]):
    """A user name and a password for a member of staff."""

    user_name = serializers.RegexField(r"^[\w.@+-]+$", min_length=3, max_length=150)
    password = serializers.CharField(
        min_length=12, max_length=128, trim_whitespace=False, write_only=True
    )


class CredentialSerializer(FixedFields, ValidDatesSerializer):
    """What a member of staff is trained and allowed to do, between two dates."""

    fixed = ("staff_member",)
    wavelengths_nm = WavelengthsField(help_text="Only these; empty: any wavelength")

    class Meta:
        model = Credential
        fields = (
            *ROW,
            "staff_member",
            "kind",
            "wavelengths_nm",
            "valid_from",
            "valid_until",
            "reference",
        )
        read_only_fields = ("version",)


class ShiftSerializer(DespiteVisits, FixedFields, BoundedPeriodSerializer):
    """A member of staff works at a clinic."""

    fixed = ("staff_member", "clinic")

    class Meta:
        model = Shift
        fields = (*ROW, "staff_member", "clinic", "start", "end", "despite_visits")
        read_only_fields = ("version",)


class MembershipSerializer(FixedFields, ValidInstantsSerializer):
    """A role of a member of staff: at one clinic, or without a clinic in the whole chain."""

    fixed = ("staff_member", "clinic", "role")

    class Meta:
        model = Membership
        fields = (*ROW, "staff_member", "clinic", "role", "start", "end")
        read_only_fields = ("version",)
