"""A change that changes nothing writes nothing: same version, no history (RFC 9110, 9.2.2, 13.1.1).

Every PATCH of the document, with an empty body and with what the row shows of itself already.
"""

import json
from datetime import timedelta

import pytest
from django.db.backends.postgresql.psycopg_any import DateRange
from rest_framework import serializers

from clinics.models import Change
from clinics.vocabulary import Role
from devices.models import OfficerAppointment
from tests.support.api import Caller
from tests.support.asking import ask
from tests.support.demo import LOADED_AT
from tests.support.factories import make_membership, make_staff
from tests.support.operations import operations

pytestmark = pytest.mark.django_db

PATCHES = [one for one in operations() if one.method == "PATCH"]
TOGETHER = {"low", "high"}
"""Neither is taken without the other."""
DEFAULTS = {"start_up", "periodic", "clocks"}
"""Lists of a duty policy: shown where nothing is said, and to say them is to say something."""


@pytest.fixture
def everybody(world):
    """Somebody who holds every role in the whole chain."""
    staff = make_staff(world.chain, user=True)
    for role in Role:
        make_membership(staff, role)
    return Caller(staff)


@pytest.fixture(autouse=True)
def officer_has_an_end(world):
    """An end is all that can be changed there."""
    officer = world.row(OfficerAppointment)
    ends = DateRange(officer.valid_during.lower, LOADED_AT.date() + timedelta(days=900))
    OfficerAppointment.objects.filter(pk=officer.pk).update(valid_during=ends)


class Read:
    """An answer's tag and body, and how long the history was then."""

    def __call__(self, answer):
        self.status = answer.status_code
        self.tag = answer.headers.get("ETag")
        self.body = json.loads(answer.content or b"{}")
        self.history = Change.objects.count()


def as_taken(serializer, shown):
    """What is shown of what the serializer takes, as it is taken: rows by their keys."""
    if isinstance(serializer, serializers.ListSerializer):
        return [as_taken(serializer.child, one) for one in shown]
    if isinstance(shown, list):
        return [one["id"] if isinstance(one, dict) else one for one in shown]
    if not isinstance(serializer, serializers.BaseSerializer) or shown is None:
        return shown
    return {
        name: as_taken(one, shown[name])
        for name, one in serializer.fields.items()
        if name in shown and not one.read_only and name not in DEFAULTS
        if shown[name] is not None or one.allow_null
    }


@pytest.mark.parametrize("operation", PATCHES, ids=lambda one: one.name)
def test_a_change_of_nothing_writes_nothing(world, everybody, operation):
    [look] = [one for one in operations() if (one.method, one.path) == ("GET", operation.path)]
    before = Read()
    ask(world, look, everybody, keep=before)
    assert before.status == 200
    present = as_taken(operation.body, before.body)
    assert present
    wrong = []
    single = [{name: value} for name, value in present.items() if name not in TOGETHER]
    for body in [{}, present, *single]:
        after = Read()
        ask(world, operation, everybody, body=body, headers={"If-Match": before.tag}, keep=after)
        if (after.status, after.tag, after.history) != (200, before.tag, before.history):
            wrong.append((body, after.status, after.tag, after.body))
    assert wrong == []


def test_a_change_of_nothing_needs_the_version_all_the_same(world, everybody):
    for headers, status in (({"If-Match": ""}, 428), ({"If-Match": '"999"'}, 412)):
        told = {
            one.name: str(answer)
            for one in PATCHES
            if (answer := ask(world, one, everybody, body={}, headers=headers)).status != status
        }
        assert told == {}
