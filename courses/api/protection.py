"""What a booked visit is told about the eyewear of its room."""

from typing import Any

from rest_framework import serializers

from courses.models import Appointment
from courses.selectors.protection import visit_eyewear
from courses.selectors.visits import Visit
from devices.selectors import eyewear_json


class EyewearLackingOut(serializers.Serializer[Any]):
    """A line of the visit for which the room has not enough fitting eyewear today."""

    wavelength_nm = serializers.IntegerField(help_text="The line that is fired")
    lacking_nm = serializers.ListField(child=serializers.IntegerField())
    needed = serializers.ListField(child=serializers.CharField(), help_text="What would fit")
    detail = serializers.CharField()


def eyewear_lacking(appointment: Appointment, *, view: Any) -> list[dict[str, Any]]:
    """What the room of an appointment lacks, for the operator and the patient; [] for nothing."""
    standing = visit_eyewear(Visit.of(appointment), actor=view.actor, now=view.now())
    lacking: list[dict[str, Any]] = eyewear_json(standing)["lacking"] if standing else []
    return lacking
