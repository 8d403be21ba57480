"""Tokens, and who is signed in, in JSON."""

from typing import Any

from rest_framework import serializers

from clinics.models import AccessToken, SignInSession, StaffMember
from clinics.scopes import GROUPS
from core.api.fields import AwareDateTimeField, DayField, VisibleRelatedField


class TokenIn(serializers.Serializer[Any]):
    """Who signs in."""

    user_name = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)
    code = serializers.CharField(
        max_length=32,
        required=False,
        write_only=True,
        help_text="Of the second factor, or one for recovery; asked of who has set it up",
    )


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
    second_factor = serializers.BooleanField(help_text="Whether a second factor is set up")
    withheld = RoleOut(
        many=True,
        help_text="Roles that the chain lets count only with a second factor, which was not given",
    )
    scopes = serializers.ListField(
        child=serializers.CharField(),
        allow_null=True,
        help_text="What the token of a machine was made for; null for people",
    )
    may = serializers.ListField(
        child=serializers.CharField(), help_text="Actions that some role allows somewhere"
    )


class LoginIn(serializers.Serializer[Any]):
    """A name and a password."""

    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)


class CodeIn(serializers.Serializer[Any]):
    """A code of the second factor, or one for recovery."""

    code = serializers.CharField(max_length=32, write_only=True)


class ProofIn(serializers.Serializer[Any]):
    """The password, anew."""

    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)


class SignInUserOut(serializers.Serializer[Any]):
    """Who signs in."""

    username = serializers.CharField()


class SignInMethodOut(serializers.Serializer[Any]):
    """What was given in this session."""

    method = serializers.CharField(help_text="`password` or `mfa`")
    at = serializers.FloatField(help_text="Seconds since 1970 (UTC)")
    type = serializers.CharField(required=False, help_text="`totp` or `recovery_codes`")
    reauthenticated = serializers.BooleanField(required=False, help_text="Proven anew")


class SignInStateDataOut(serializers.Serializer[Any]):
    """Who is signed in, and by what."""

    user = SignInUserOut()
    methods = SignInMethodOut(many=True)


class SignInMetaOut(serializers.Serializer[Any]):
    """The session."""

    is_authenticated = serializers.BooleanField()
    session_token = serializers.CharField(
        required=False, help_text="Only when it is new: send it as `X-Session-Token`"
    )


class SignInStateOut(serializers.Serializer[Any]):
    """A complete sign-in."""

    status = serializers.IntegerField()
    data = SignInStateDataOut()  # type: ignore[assignment]
    meta = SignInMetaOut()


class AuthenticatorOut(serializers.Serializer[Any]):
    """A second factor."""

    type = serializers.CharField(help_text="`totp` or `recovery_codes`")
    created_at = serializers.FloatField(help_text="Seconds since 1970 (UTC)")
    last_used_at = serializers.FloatField(allow_null=True)
    total_code_count = serializers.IntegerField(required=False)
    unused_code_count = serializers.IntegerField(required=False)


class AuthenticatorsOut(serializers.Serializer[Any]):
    """All second factors of a person."""

    status = serializers.IntegerField()
    data = AuthenticatorOut(many=True)  # type: ignore[assignment]


class TotpOut(serializers.Serializer[Any]):
    """An authenticator that is set up."""

    status = serializers.IntegerField()
    data = AuthenticatorOut()  # type: ignore[assignment]


class RecoveryCodesDataOut(AuthenticatorOut):
    """Codes for recovery."""

    unused_codes = serializers.ListField(
        child=serializers.CharField(), required=False, help_text="Shown once"
    )


class RecoveryCodesOut(serializers.Serializer[Any]):
    """Codes for recovery, shown once."""

    status = serializers.IntegerField()
    data = RecoveryCodesDataOut()  # type: ignore[assignment]


class OwnSessionOut(serializers.ModelSerializer[Any]):
    """An open session of whoever asks."""

    began_at = AwareDateTimeField()
    seen_at = AwareDateTimeField(help_text="Last used, to the minute")
    expires_at = AwareDateTimeField(source="expire_date")
    current = serializers.SerializerMethodField(help_text="Whether it is the one asked with")

    class Meta:
        model = SignInSession
        fields = ("id", "began_at", "seen_at", "expires_at", "second_factor", "current")

    def get_current(self, row: SignInSession) -> bool:
        """Compared with the credential of the request."""
        used = getattr(self.context["request"].auth, "row", None)
        return used is not None and used.pk == row.pk


class MachineTokenIn(serializers.Serializer[Any]):
    """What a machine is to be let in for."""

    staff_member = VisibleRelatedField(
        queryset=StaffMember.objects.all(), help_text="An integrator, whom the machine acts as"
    )
    name = serializers.CharField(max_length=80, help_text="What you will know it by")
    scopes = serializers.ListField(
        child=serializers.CharField(max_length=48),
        min_length=1,
        max_length=100,
        help_text="Actions (`x-policy` of an operation), or groups of them: " + ", ".join(GROUPS),
    )
    expires_at = AwareDateTimeField(help_text="Within a year")


class MachineTokenOut(serializers.ModelSerializer[Any]):
    """A token of a machine, without its text."""

    staff_member = serializers.IntegerField(source="user.staff_member.pk")
    expires_at = AwareDateTimeField(source="expiry")
    created_at = AwareDateTimeField(source="created")
    last_used_on = DayField(allow_null=True)

    class Meta:
        model = AccessToken
        fields: tuple[str, ...] = (
            "id",
            "staff_member",
            "name",
            "scopes",
            "created_at",
            "made_by",
            "expires_at",
            "last_used_on",
        )


class MachineTokenMadeOut(MachineTokenOut):
    """A new token of a machine: its text is shown this once."""

    token = serializers.CharField(help_text="Send it as `Authorization: Bearer <token>`")

    class Meta(MachineTokenOut.Meta):
        fields = (*MachineTokenOut.Meta.fields, "token")


class SignInLockOut(serializers.Serializer[Any]):
    """Whether attempts to sign in are heard."""

    locked_until = AwareDateTimeField(
        allow_null=True, help_text="Null: attempts are heard from everywhere"
    )
