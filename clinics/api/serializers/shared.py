"""Bases that the serializers of the organisation share."""

from typing import Any, ClassVar

from rest_framework import serializers

from core.api.fields import AwareDateTimeField
from core.api.serializers import PeriodSerializer

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
