"""Every operation replayed with keys of another chain: in its address, its body and its query.

Nothing of the other chain is named, and nothing is written. OWASP ASVS 5.0.0, 8.2.2 and 8.4.1.
"""

import json

import pytest

from clinics.models import Chain, Change, Clinic, StaffMember
from clinics.policy import POLICY
from clinics.vocabulary import Role
from courses.models import Patient
from devices.models import Handpiece, Laser
from tests.support.api import Caller
from tests.support.asking import ask, body_of
from tests.support.bodies import BY_NAME, model_of
from tests.support.factories import make_membership, make_staff
from tests.support.operations import operations, related

pytestmark = pytest.mark.django_db

GUARDED = [one for one in operations() if one.key in POLICY and one.key != "own.session"]
OF_ONESELF = frozenset({"DELETE /api/v1/me/sessions/{id}"})
"""What is the caller's own only."""
REFUSED = frozenset({400, 404, 409, 422})
OF_QUERY = {**BY_NAME, "patient": Patient}
NAMES = {
    Chain: ("name",),
    Clinic: ("name",),
    StaffMember: ("name",),
    Laser: ("serial", "label"),
    Handpiece: ("serial",),
    Patient: ("family_name",),
}


@pytest.fixture
def everybody(world):
    return somebody(world.chain)


def somebody(chain):
    """Who holds every role in the whole chain."""
    staff = make_staff(chain, user=True)
    for role in Role:
        make_membership(staff, role)
    return Caller(staff)


def names_of(chain):
    """Words that tell of a chain."""
    found = set()
    for model, fields in NAMES.items():
        rows = model._default_manager
        rows = (
            rows.filter(pk=chain.pk)
            if model is Chain
            else rows.filter(**{"resource__chain" if model is StaffMember else "chain": chain})
        )
        for values in rows.values_list(*fields):
            found |= {one for one in values if one and len(one) > 5}
    return found


class Watch:
    """Whether a request wrote anything that the history knows of."""

    def __init__(self):
        self.before = Change.objects.count()
        self.written = False

    def __call__(self, _):
        self.written = Change.objects.count() != self.before


def test_keys_in_addresses(world):
    """Those of the rich chain, asked for by somebody of the other one; with a control."""
    stranger, own = somebody(world.other.chain), somebody(world.chain)
    words, wrong = names_of(world.chain), []
    for one in GUARDED:
        if not any(one.path_models().values()):
            continue
        watch = Watch()
        answer = ask(world, one, stranger, keep=watch)
        unknown = {404, 400} if any(related(one.body)) else {404}
        if (
            answer.status not in unknown
            or watch.written
            or any(word in answer.text for word in words)
        ):
            wrong.append(f"{one.name}: {answer}")
        if one.name not in OF_ONESELF and ask(world, one, own).status == 404:
            wrong.append(f"{one.name}: its own chain finds nothing either")
    assert wrong == []


def test_answers_without_keys_name_nothing_of_another_chain(world):
    stranger, words, wrong = somebody(world.other.chain), names_of(world.chain), []
    reads = [one for one in GUARDED if one.method == "GET" and not one.path_models()]
    for one in reads:
        answer = ask(world, one, stranger)
        found = [word for word in words if word in answer.text]
        if answer.status != 200 or found:
            wrong.append(f"{one.name}: {found} {answer}")
    assert wrong == []
    [control] = [one for one in reads if one.name == "GET /api/v1/lasers"]
    assert any(word in ask(world, control, somebody(world.chain)).text for word in words)


def put(body, at, key):
    """The body with that key at a place of it; what leads there is made."""
    [name, *rest] = at
    if name == 0:
        inner = body[0] if isinstance(body, list) and body else {}
        return [put(inner, rest, key) if rest else key]
    inner = body.get(name, {}) if isinstance(body, dict) else {}
    return {**body, name: put(inner, rest, key) if rest else key}


PLACES = [(one, at, model) for one in GUARDED for at, model in related(one.body)]


def test_keys_in_bodies(world, everybody):
    """One foreign key at a time among keys of the caller's own chain."""
    other = world.other.chain
    words, wrong, asked = names_of(other), [], 0
    for one, at, told in PLACES:
        foreign = world.row(model_of(told), chain=other)
        watch = Watch()
        body = put(body_of(world, one), at, foreign.pk)
        answer = ask(world, one, everybody, body=body, keep=watch)
        asked += 1
        if (
            answer.status not in REFUSED
            or watch.written
            or any(word in answer.text for word in words)
        ):
            wrong.append(f"{one.name} {at}: {answer}")
    assert wrong == []
    assert asked > 100


def test_keys_in_queries(world, everybody):
    """Filters by a foreign key find nothing, or say that there is no such thing."""
    other = world.other.chain
    words, wrong, asked = names_of(other), [], 0
    for one in GUARDED:
        if one.method != "GET":
            continue
        for name in OF_QUERY.keys() & one.query().keys():
            foreign = world.row(OF_QUERY[name], chain=other)
            answer = ask(world, one, everybody, query={name: foreign.pk})
            asked += 1
            listed = json.loads(answer.text).get("items") if answer.status == 200 else []
            if answer.status != 200 and answer.status not in REFUSED:
                wrong.append(f"{one.name}?{name}: {answer}")
            if listed and one.told["operationId"].endswith("_list"):
                wrong.append(f"{one.name}?{name}: {answer}")
            if any(word in answer.text for word in words):
                wrong.append(f"{one.name}?{name} names it: {answer}")
    assert wrong == []
    assert asked > 40
