"""Opening hours in JSON: what decides them, and what comes of it."""

from typing import Any, ClassVar

from rest_framework import serializers

from clinics.api.serializers.shared import ROW, BoundedPeriodSerializer, DespiteVisits, FixedFields
from clinics.hours.wall_time import MIDNIGHT
from clinics.models import Closure, HolidayOverride, OpeningRule
from clinics.vocabulary import HolidayTreatment
from core.api.fields import AwareDateTimeField, WallTimeField
from core.api.serializers import RowSerializer, ValidDatesSerializer


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


def _check_order(attrs: dict[str, Any], instance: Any) -> dict[str, Any]:
    """Refuse hours that close before they open; 00:00 is the end of the day."""
    opens = attrs.get("opens", getattr(instance, "opens", None))
    closes = attrs.get("closes", getattr(instance, "closes", None))
    if opens is not None and closes is not None and closes != MIDNIGHT and closes <= opens:
        raise serializers.ValidationError({"closes": "Must be after `opens`."}, code="order")
    return attrs
