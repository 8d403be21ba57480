"""Serializers that many endpoints share: spans, ranges, plain rows, and where answers come from."""

from collections.abc import Mapping
from typing import Any, ClassVar, Final

from django.db import models
from django.db.backends.postgresql.psycopg_any import DateRange, DateTimeTZRange
from rest_framework import serializers

from core.api.fields import AwareDateTimeField, DayField, VisibleRelatedField
from core.spans import Span

END_FIRST: Final = "The end must be after the start."


class GuardedOut(serializers.BaseSerializer[Any]):
    """An answer of which some fields are shown only to who may: null to everybody else.

    `guarded`: field -> action. Stands before the serializer class that it guards.
    """

    guarded: ClassVar[Mapping[str, str]] = {}

    def to_representation(self, instance: Any) -> Any:
        shown = super().to_representation(instance)
        may = self.context["request"].actor.may
        return {**shown, **{name: None for name, key in self.guarded.items() if not may(key)}}


class GuardedIn(serializers.BaseSerializer[Any]):
    """A body of which some fields are changed only by who may see them. A new row has them all.

    `guarded`: field -> action.
    """

    guarded: ClassVar[Mapping[str, str]] = {}

    def to_internal_value(self, data: Any) -> Any:
        given = data.keys() if self.partial and isinstance(data, Mapping) else ()
        for name in sorted(self.guarded.keys() & given):
            self.context["request"].actor.require(self.guarded[name])
        return super().to_internal_value(data)


class WholePartIn(serializers.Serializer[Any]):
    """A part of a body that is given whole, in a change too.

    The framework takes the change of a row for leave to leave out fields of its parts.
    """

    def to_internal_value(self, data: Any) -> Any:
        if self.root is self:
            return super().to_internal_value(data)
        alone = type(self)(data=data, context=self.context)
        alone.is_valid(raise_exception=True)
        return alone.validated_data


class SpanIn(serializers.Serializer[Any]):
    """A half-open span: `start` (included) to `end` (excluded), both with an offset."""

    start = AwareDateTimeField()
    end = AwareDateTimeField(help_text="Excluded.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if attrs["end"] <= attrs["start"]:
            raise serializers.ValidationError({"end": END_FIRST}, code="order")
        return attrs


def span_of(attrs: Mapping[str, Any]) -> Span:
    """The span in the validated data of a SpanIn."""
    return Span(attrs["start"], attrs["end"])


class RowSerializer(serializers.ModelSerializer[Any]):
    """A plain row of reference data: instants are aware, related rows are the caller's own."""

    serializer_related_field = VisibleRelatedField
    serializer_field_mapping = {
        **serializers.ModelSerializer.serializer_field_mapping,
        models.DateTimeField: AwareDateTimeField,
        models.DateField: DayField,
    }


class RangeSerializer(RowSerializer):
    """A row whose range column is shown and taken as `start` (included) and `end` (excluded).

    Subclass one of the three kinds below and list its two fields in `Meta.fields`. A missing or
    null end leaves the range open; the table says whether it may be.
    """

    end_name: ClassVar[str] = "end"
    range_field: ClassVar[str]
    range_type: ClassVar[type[DateTimeTZRange | DateRange]]

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        given = attrs.pop(self.range_field, None)
        if given is None:
            return attrs
        stored = getattr(self.instance, self.range_field, None)
        start = given.get("lower", stored and stored.lower)
        end = given.get("upper", stored and stored.upper)
        if end is not None and end <= start:
            raise serializers.ValidationError({self.end_name: END_FIRST}, code="order")
        attrs[self.range_field] = self.range_type(start, end, "[)")
        return attrs


class PeriodSerializer(RangeSerializer):
    """A row that holds from instant to instant: its column is `period`."""

    range_field = "period"
    range_type = DateTimeTZRange

    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(
        source="period.upper", required=False, allow_null=True, help_text="Excluded."
    )


class ValidInstantsSerializer(RangeSerializer):
    """A row that is valid from instant to instant: its column is `valid_during`."""

    range_field = "valid_during"
    range_type = DateTimeTZRange

    start = AwareDateTimeField(source="valid_during.lower")
    end = AwareDateTimeField(
        source="valid_during.upper", required=False, allow_null=True, help_text="Excluded."
    )


class ValidDatesSerializer(RangeSerializer):
    """A row that is valid from local date to local date: its column is `valid_during`."""

    end_name = "valid_until"
    range_field = "valid_during"
    range_type = DateRange

    valid_from = DayField(source="valid_during.lower")
    valid_until = DayField(
        source="valid_during.upper", required=False, allow_null=True, help_text="Excluded."
    )


class BasisOut(serializers.Serializer[Any]):
    """Where a computed answer comes from."""

    id = serializers.CharField(help_text="Id of the rule or formula")
    version = serializers.CharField()
    source = serializers.CharField(  # type: ignore[assignment]
        help_text="Published source, or a word on its standing"
    )
    kind = serializers.ChoiceField(
        choices=["published", "common_practice", "proposal", "memory"],
        help_text="How well it is supported",
    )


class ComputedOut(serializers.Serializer[Any]):
    """What every computed answer carries besides its values."""

    basis = BasisOut(many=True)
    caution = serializers.CharField(help_text="Whose decision this answer does not replace")
