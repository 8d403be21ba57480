"""What a change to a device hits in the diary, as far as the reservations tell."""

from typing import Any

from rest_framework import serializers

from core.api.fields import AwareDateTimeField


class HitOut(serializers.Serializer[Any]):
    """Something booked on the device; `source` names its owner, such as `appointment:7`."""

    reservation = serializers.IntegerField(source="pk")
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", help_text="Excluded.")
    status = serializers.CharField(help_text="FHIR Slot.status")
    reason = serializers.CharField()
    source = serializers.CharField(help_text="`<table>:<id>` of its owner")  # type: ignore[assignment]
