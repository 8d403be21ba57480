"""A visit in the body of a request: when, where, with whom and what."""

from typing import Any

from rest_framework import serializers

from clinics.querysets import HasChain
from core.api.fields import AwareDateTimeField, KeyField, unseen
from courses.api.slots import SegmentOut, TechniqueIn
from courses.errors import input_refused
from courses.selectors.plans import Technique
from courses.selectors.visits import (
    Place,
    Visit,
    known_of_place,
    planned_timeline,
    timeline_from_json,
)
from courses.slots import Timeline


class SlotIn(serializers.Serializer[Any]):
    """When, where, with whom and what: as a slot has it.

    Without `segments` or `minutes` the length is computed from the course and `technique`.
    """

    start = AwareDateTimeField(help_text="On a 5-minute mark")
    clinic = KeyField()
    room = KeyField()
    operator = KeyField()
    laser = KeyField()
    handpieces = serializers.ListField(child=KeyField(), min_length=1, max_length=8)
    wavelengths_nm = serializers.ListField(
        child=serializers.IntegerField(min_value=180, max_value=20000), min_length=1, max_length=8
    )
    segments: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=SegmentOut(), required=False, min_length=1, max_length=60
    )
    minutes = serializers.IntegerField(min_value=5, max_value=720, required=False)
    technique = TechniqueIn(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if len([name for name in ("segments", "minutes", "technique") if name in attrs]) > 1:
            raise serializers.ValidationError(
                {"segments": "Give one of segments, minutes and technique."}, code="either"
            )
        self._refuse_unseen(attrs)
        return attrs

    def _refuse_unseen(self, attrs: dict[str, Any]) -> None:
        """Name every key that is nobody's, or another chain's. One query."""
        seen = known_of_place(
            place_of(attrs), actor=self.context["request"].actor, course_id=attrs.get("course")
        )
        errors: dict[str, Any] = {
            field: [unseen(attrs[field])]
            for field in ("clinic", "room", "operator", "laser", "course")
            if field in attrs and (field, attrs[field]) not in seen
        }
        missing = {
            n: [unseen(pk)]
            for n, pk in enumerate(attrs["handpieces"])
            if ("handpiece", pk) not in seen
        }
        if missing:
            errors["handpieces"] = missing
        if errors:
            raise serializers.ValidationError(errors)


class VisitIn(SlotIn):
    """A visit to book, or to move an appointment to."""

    override_reason = serializers.CharField(
        max_length=400,
        required=False,
        allow_blank=True,
        default="",
        help_text="A treating clinician's reason to book before the healing window closes",
    )


def place_of(body: dict[str, Any]) -> Place:
    """The place in a validated body."""
    return Place(
        clinic_id=body["clinic"],
        room_id=body["room"],
        operator_id=body["operator"],
        laser_id=body["laser"],
        handpiece_ids=tuple(sorted(body["handpieces"])),
    )


def visit_of(body: dict[str, Any], *, course_id: int, actor: HasChain) -> Visit:
    """The visit in a validated body. Raises CourseUnknown, NothingToTreat, InputRefused."""
    technique = body.get("technique", {})
    return Visit(
        starts_at=body["start"],
        timeline=_timeline(body, course_id=course_id, actor=actor),
        place=place_of(body),
        wavelengths_nm=tuple(sorted(set(body["wavelengths_nm"]))),
        passes=technique.get("passes"),
    )


def _timeline(body: dict[str, Any], *, course_id: int, actor: HasChain) -> Timeline:
    if "segments" in body:
        with input_refused({"timeline": "/segments"}):
            return timeline_from_json(body["segments"])
    if "minutes" in body:
        return Timeline.whole_visit(body["minutes"])
    return planned_timeline(
        course_id, technique=Technique(**body.get("technique", {})), actor=actor
    )
