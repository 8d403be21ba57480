"""A field that an endpoint does not know is refused, wherever it stands in the body."""

import pytest
from rest_framework import serializers

from core.api.body import refuse_unknown_fields
from core.api.pointers import field_errors


class Pass(serializers.Serializer):
    pulses = serializers.IntegerField()


class Session(serializers.Serializer):
    course = serializers.IntegerField()
    passes = Pass(many=True)
    first = Pass(required=False)
    tags = serializers.ListField(child=serializers.CharField(), required=False)
    notes = serializers.JSONField(required=False)
    id = serializers.IntegerField(read_only=True)
    checks = Pass(many=True, read_only=True)


def wrong(body):
    with pytest.raises(serializers.ValidationError) as refused:
        refuse_unknown_fields(Session(data=body), body)
    return {error["pointer"]: error["code"] for error in field_errors(refused.value.detail)}


def test_names_every_unknown_field_with_its_pointer():
    body = {
        "course": 1,
        "corse": 2,
        "passes": [{"pulses": 1}, {"pulses": 2, "pulse": 3}],
        "first": {"spot": 3},
    }
    assert wrong(body) == {
        "/corse": "unknown",
        "/passes/1/pulse": "unknown",
        "/first/spot": "unknown",
    }


def test_names_what_is_only_shown_and_does_not_look_into_it():
    body = {"course": 1, "passes": [], "id": 7, "checks": [{"pulse": 1}]}
    assert wrong(body) == {"/id": "read_only", "/checks": "read_only"}


@pytest.mark.parametrize(
    "body",
    [
        {"course": 1, "passes": [], "tags": ["a"], "notes": {"any": {"thing": 1}}},
        {"course": 1, "passes": "not a list"},
        {"course": 1, "passes": [3, None]},
        ["not an object"],
        None,
    ],
)
def test_leaves_alone_what_is_known_or_wrong_in_another_way(body):
    refuse_unknown_fields(Session(data=body), body)
