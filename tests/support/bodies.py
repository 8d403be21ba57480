"""Bodies of requests from their serializers: what is required, with keys of real rows."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from rest_framework import serializers
from rest_framework.relations import ManyRelatedField, RelatedField

from clinics.models import Clinic, Room, StaffMember
from courses.models import Appointment, Course, TattooPart
from devices.models import EmissionLine, Handpiece, Laser
from tests.support.demo import LOADED_AT

Pick = Callable[[Any], int]

BY_NAME = {
    "clinic": Clinic,
    "room": Room,
    "operator": StaffMember,
    "laser": Laser,
    "handpiece": Handpiece,
    "handpieces": Handpiece,
    "line": EmissionLine,
    "course": Course,
    "parts": TattooPart,
    "appointments": Appointment,
}
"""What a key without a queryset of its own points at, by the name of its field."""

WORDS = {
    "language": "en",
    "country": "DE",
    "subdivision": "",
    "time_zone": "UTC",
    "duty": "told_by_a_test",
    "code": "told_by_a_test",
    "password": "violet-lantern-43",
    "user_name": "somebody-new",
    "email": "somebody@example.org",
}
DAY = LOADED_AT.date()


def model_of(told: Any) -> Any:
    """A model, or what a field of that name points at."""
    return BY_NAME[told] if isinstance(told, str) else told


def minimal(serializer: Any, pick: Pick) -> Any:
    """The required fields of a body."""
    if serializer is None:
        return {}
    if isinstance(serializer, serializers.ListSerializer):
        return [minimal(serializer.child, pick)]
    return {
        name: value(one, name, pick)
        for name, one in serializer.fields.items()
        if one.required and not one.read_only
    }


def value(one: Any, name: str, pick: Pick) -> Any:
    """Something that the field takes."""
    rows = getattr(one, "child_relation", one)
    if isinstance(rows, RelatedField) or hasattr(one, "queryset"):
        key = pick(rows.queryset.model)
        return [key] if isinstance(one, (ManyRelatedField, serializers.ListField)) else key
    if type(one).__name__ == "KeyField":
        return pick(BY_NAME[name])
    if isinstance(one, serializers.ListField):
        return [value(one.child, name, pick)] * max(1, one.min_length or 0)
    if isinstance(one, serializers.BaseSerializer):
        return minimal(one, pick)
    return next(
        (made(one, name) for kind, made in PLAIN if isinstance(one, kind)), WORDS.get(name, WORD)
    )


WORD = "Told by a test"
NUMBERS = (serializers.IntegerField, serializers.FloatField, serializers.DecimalField)


def _instant(_: Any, name: str) -> str:
    """Half an hour ago for an end, an hour ago for the rest."""
    ends = name.startswith(("end", "ended"))
    return (LOADED_AT - timedelta(minutes=30 if ends else 60)).isoformat()


def _day(_: Any, name: str) -> str:
    return (DAY + timedelta(days=30 if name.endswith(("until", "end")) else 0)).isoformat()


PLAIN = (
    (serializers.ChoiceField, lambda one, _: next(iter(one.choices))),
    (serializers.DateTimeField, _instant),
    (serializers.DateField, _day),
    (serializers.TimeField, lambda _, name: "18:00" if name in {"closes", "end"} else "09:00"),
    (serializers.BooleanField, lambda *_: False),
    (NUMBERS, lambda one, _: max(1, getattr(one, "min_value", None) or 0)),
    ((serializers.DictField, serializers.JSONField), lambda *_: {}),
)
