"""How the organisation looks in JSON."""

from decimal import Decimal
from typing import Any, ClassVar

from rest_framework import serializers

from clinics.api.fields import WallTimeField, WavelengthsField, check_region
from clinics.hours.wall_time import MIDNIGHT
from clinics.models import (
    Absence,
    Chain,
    Clinic,
    Closure,
    Credential,
    HolidayOverride,
    Membership,
    OpeningRule,
    Reservation,
    Room,
    Shift,
    StaffMember,
)
from clinics.vocabulary import HolidayTreatment, ResourceKind
from core.api.fields import AwareDateTimeField, TimeZoneField
from core.api.serializers import (
    PeriodSerializer,
    RowSerializer,
    ValidDatesSerializer,
    ValidInstantsSerializer,
)
from core.vocabulary import choices

ROW = ("id", "version", "created_at", "updated_at")


class BoundedPeriodSerializer(PeriodSerializer):
    """A period that always has an end."""

    end = AwareDateTimeField(source="period.upper", help_text="Excluded.")


class FixedFields(serializers.Serializer[Any]):
    """Some fields are given once: a row that says something else is another row."""

    fixed: ClassVar[tuple[str, ...]] = ("clinic",)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if self.instance is not None:
            for name in self.fixed:
                if attrs.get(name, given := getattr(self.instance, name)) != given:
                    raise serializers.ValidationError({name: "Cannot be changed."}, code="fixed")
        return attrs


class DespiteVisits(serializers.Serializer[Any]):
    """What the caller has seen and accepts."""

    despite_visits = serializers.BooleanField(
        write_only=True,
        required=False,
        default=False,
        help_text="Do it although it strands booked visits; who asks will mend the diary",
    )


class ChainSerializer(RowSerializer):
    """The caller's chain and its policies. A policy is replaced as a whole."""

    healing_policy = serializers.DictField(
        child=serializers.DictField(),
        required=False,
        help_text="Rule id -> parameter -> value; a rule may only be lengthened",
    )
    search_policy = serializers.DictField(
        required=False, help_text="Weights and steps of slot search, by name"
    )
    session_multiplier = serializers.DecimalField(
        max_digits=4,
        decimal_places=2,
        min_value=Decimal("0.1"),
        max_value=Decimal(3),
        required=False,
        help_text="Sessions per point of the six-parameter scale (published use: 1.0)",
    )

    class Meta:
        model = Chain
        fields = (*ROW, "name", "healing_policy", "search_policy", "session_multiplier")
        read_only_fields = ("version", "name")


class ClinicSerializer(RowSerializer):
    """One place of the chain, with its own clock."""

    time_zone = TimeZoneField(help_text="IANA name")
    country = serializers.RegexField(
        r"^([A-Z]{2})?$",
        max_length=2,
        allow_blank=True,
        help_text="ISO 3166-1 alpha-2: whose public holidays it keeps; empty for none",
    )
    subdivision = serializers.CharField(
        max_length=8,
        allow_blank=True,
        required=False,
        help_text="The part after the dash of ISO 3166-2",
    )

    class Meta:
        model = Clinic
        fields = (*ROW, "name", "time_zone", "country", "subdivision", "active")
        read_only_fields = ("version",)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if "country" in attrs or "subdivision" in attrs:
            stored = (getattr(self.instance, name, "") for name in ("country", "subdivision"))
            country, subdivision = stored
            check_region(attrs.get("country", country), attrs.get("subdivision", subdivision))
        return attrs


class RoomSerializer(FixedFields, RowSerializer):
    """A treatment room. `resource` is what reservations of the room name."""

    cleared_wavelengths_nm = WavelengthsField(
        help_text="Wavelengths it is cleared for; only a laser-controlled room has any"
    )

    class Meta:
        model = Room
        fields = (
            *ROW,
            "clinic",
            "resource",
            "name",
            "laser_controlled",
            "cleared_wavelengths_nm",
            "active",
        )
        read_only_fields = ("version", "resource")
        validators: tuple[()] = ()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        wanted = {"laser_controlled": True, "cleared_wavelengths_nm": []}
        stored = {name: getattr(self.instance, name, value) for name, value in wanted.items()}
        after = {**stored, **attrs}
        if after["cleared_wavelengths_nm"] and not after["laser_controlled"]:
            raise serializers.ValidationError(
                {"cleared_wavelengths_nm": "Only a laser-controlled room is cleared for any."}
            )
        return attrs


class StaffMemberSerializer(RowSerializer):
    """A person who works for the chain. `resource` is what their reservations name."""

    user_name = serializers.CharField(
        source="user.username", read_only=True, default=None, help_text="Their sign-in, if any"
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


class PasswordIn(serializers.Serializer[Any]):
    """A new password, and the current one to show that it is you."""

    current = serializers.CharField(max_length=128, trim_whitespace=False)
    new = serializers.CharField(min_length=12, max_length=128, trim_whitespace=False)


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


class OpeningRuleSerializer(DespiteVisits, FixedFields, ValidDatesSerializer):
    """The clinic is open on one weekday, in its own wall time, between two local dates."""

    weekday = serializers.IntegerField(
        min_value=1, max_value=7, help_text="ISO 8601: 1 is Monday, 7 is Sunday"
    )
    opens = WallTimeField()
    closes = WallTimeField(help_text="00:00 is the midnight that ends the day")

    class Meta:
        model = OpeningRule
        fields = (
            *ROW,
            "clinic",
            "weekday",
            "opens",
            "closes",
            "valid_from",
            "valid_until",
            "despite_visits",
        )
        read_only_fields = ("version",)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        return _check_order(super().validate(attrs), self.instance)


class ClosureSerializer(DespiteVisits, FixedFields, BoundedPeriodSerializer):
    """The clinic is closed for a period, whatever its weekly rules say."""

    class Meta:
        model = Closure
        fields = (*ROW, "clinic", "start", "end", "reason", "despite_visits")
        read_only_fields = ("version",)


class HolidayOverrideSerializer(DespiteVisits, FixedFields, RowSerializer):
    """One local date on which the clinic departs from public holidays or weekly rules.

    `open` without hours: the weekly rules hold. `open` with hours: these instead. `closed`: the
    whole day.
    """

    opens = WallTimeField(allow_null=True, required=False)
    closes = WallTimeField(
        allow_null=True, required=False, help_text="00:00 is the midnight that ends the day"
    )

    class Meta:
        model = HolidayOverride
        fields = (
            *ROW,
            "clinic",
            "date",
            "treatment",
            "opens",
            "closes",
            "reason",
            "despite_visits",
        )
        read_only_fields = ("version",)
        validators: tuple[()] = ()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = _check_order(super().validate(attrs), self.instance)
        opens, closes, treatment = (
            attrs.get(name, getattr(self.instance, name, None))
            for name in ("opens", "closes", "treatment")
        )
        if (opens is None) != (closes is None):
            missing = "opens" if opens is None else "closes"
            raise serializers.ValidationError({missing: "Give both times or none."})
        if opens is not None and treatment == HolidayTreatment.CLOSED:
            raise serializers.ValidationError({"opens": "A closed day has no hours."})
        return attrs


class ReservationSerializer(BoundedPeriodSerializer):
    """Something is busy. `source` names for what, as `<table>:<id>`."""

    kind = serializers.ChoiceField(source="resource.kind", choices=choices(ResourceKind))
    clinic = serializers.IntegerField(
        source="resource.clinic_id",
        allow_null=True,
        help_text="Where the resource stands now; staff and patients stand nowhere",
    )
    name = serializers.SerializerMethodField(
        help_text="Name of the room or the member of staff; null for any other kind"
    )

    class Meta:
        model = Reservation
        fields = (
            "id",
            "resource",
            "kind",
            "clinic",
            "name",
            "start",
            "end",
            "status",
            "reason",
            "source",
            "expires_at",
        )
        read_only_fields = fields

    def get_name(self, row: Reservation) -> str | None:
        """What people call the resource, where this app knows."""
        for named in ("room", "staff_member"):
            if hasattr(row.resource, named):
                name: str = getattr(row.resource, named).name
                return name
        return None


class AbsenceSerializer(BoundedPeriodSerializer):
    """A member of staff, a room or a device is not to be had for a period."""

    kind = serializers.ChoiceField(
        source="resource.kind", choices=choices(ResourceKind), read_only=True
    )
    entered_by = serializers.CharField(source="entered_by.name", read_only=True)

    class Meta:
        model = Absence
        fields = (*ROW, "resource", "kind", "start", "end", "reason", "note", "entered_by")
        read_only_fields = ("version",)


class OpenSpanOut(serializers.Serializer[Any]):
    """Open from `start` to `end`, in UTC and as clocks at the clinic show it."""

    start = AwareDateTimeField()
    end = AwareDateTimeField()
    local_start = serializers.CharField(help_text="RFC 3339 with the clinic's offset")
    local_end = serializers.CharField(help_text="RFC 3339 with the clinic's offset")


class ClosureBrief(serializers.Serializer[Any]):
    """A closure that touches the date."""

    id = serializers.IntegerField()
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper")
    reason = serializers.CharField()


class OpeningDayOut(serializers.Serializer[Any]):
    """One local date: when the clinic is open, and what decided that."""

    date = serializers.DateField()
    decided_by = serializers.ChoiceField(
        choices=["weekly", "no_rule", "public_holiday", "override_closed", "override_open"],
        help_text="`no_rule`: no weekly rule covers this weekday",
    )
    public_holiday = serializers.CharField(allow_null=True)
    note = serializers.CharField(help_text="The clinic's own reason for an override")
    open = OpenSpanOut(many=True)
    closures = ClosureBrief(many=True)


class OpeningHoursOut(serializers.Serializer[Any]):
    """The opening hours of one clinic, day by day."""

    clinic = serializers.IntegerField()
    time_zone = serializers.CharField()
    days = OpeningDayOut(many=True)


class DatesIn(serializers.Serializer[Any]):
    """Local dates from `from` up to, not including, `to`; a year at most."""

    longest_days: ClassVar[int] = 366
    years: ClassVar[range] = range(1990, 2200)

    def get_fields(self) -> dict[str, Any]:
        return {"from": serializers.DateField(), "to": serializers.DateField()}

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        for name, day in attrs.items():
            if day.year not in self.years:
                said = f"Must be from {self.years.start} to {self.years.stop - 1}."
                raise serializers.ValidationError({name: said}, code="range")
        if not 1 <= (attrs["to"] - attrs["from"]).days <= self.longest_days:
            said = f"Must be 1 to {self.longest_days} days after `from`."
            raise serializers.ValidationError({"to": said}, code="range")
        return attrs


class TokenIn(serializers.Serializer[Any]):
    """Who signs in."""

    user_name = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=128, trim_whitespace=False, write_only=True)


class TokenOut(serializers.Serializer[Any]):
    """A token: shown once, kept by us as a hash."""

    token = serializers.CharField(help_text="Send it as `Authorization: Bearer <token>`")
    expires_at = AwareDateTimeField()


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


def _check_order(attrs: dict[str, Any], instance: Any) -> dict[str, Any]:
    """Refuse hours that close before they open; 00:00 is the end of the day."""
    opens = attrs.get("opens", getattr(instance, "opens", None))
    closes = attrs.get("closes", getattr(instance, "closes", None))
    if opens is not None and closes is not None and closes != MIDNIGHT and closes <= opens:
        raise serializers.ValidationError({"closes": "Must be after `opens`."}, code="order")
    return attrs
