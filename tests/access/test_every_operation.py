"""Every operation answers every role, at every place, as the policy table says.

The expected answers come from the table alone, the operations from the addresses: a new one is
asked without a line here. OWASP ASVS 5.0.0: 8.2.1 (functions), 8.2.2 (objects), 8.3.1, 8.4.1.
"""

import pytest

from clinics.policy import POLICY
from clinics.vocabulary import Role, Scope
from tests.support.access_world import clinic_of
from tests.support.asking import ask
from tests.support.operations import documented, operations, related

pytestmark = pytest.mark.django_db

OPERATIONS = operations()
GUARDED = [one for one in OPERATIONS if not one.is_open and one.key != "own.session"]
IN_FORCE = {
    "DELETE /api/v1/calendar-feeds/{id}": "calendar_feed.of_others",
    "POST /api/v1/calendar-feeds": "calendar_feed.of_others",
}
"""Where another key counts for what is not the caller's own, as nothing here is."""
OF_ONESELF = frozenset({"DELETE /api/v1/me/sessions/{id}"})
"""What is the caller's own only: the row of the world is of none of those who ask (404)."""
LET_IN = frozenset({200, 201, 202, 204, 400, 409, 422})
"""Answers of who may: it is done, or the body or a rule of the domain is in the way."""


def named(operation):
    return operation.name


def test_every_operation_of_the_document_is_asked_here():
    assert {one.name for one in OPERATIONS} == documented()
    assert all(one.is_open or one.key in POLICY for one in OPERATIONS)


def places(world, operation):
    """Where the thing that is acted on is, and another clinic of its chain."""
    rows = [world.row(model) for model in operation.path_models().values() if model]
    found = clinic_of(rows[0]) if rows else world.home.pk
    home = world.clinic(found)
    return home, world.away if home != world.away else world.home


@pytest.mark.parametrize("operation", GUARDED, ids=named)
def test_at_the_own_clinic_another_and_in_another_chain(world, operation):
    rule = POLICY[IN_FORCE.get(operation.name, operation.key)]
    own, away = places(world, operation)
    by_key = any(operation.path_models().values())
    let_in = {404} if operation.name in OF_ONESELF else LET_IN
    wrong = []
    for role in Role:
        allowed = role in rule.roles
        cases = {
            "own clinic": (world.caller(role, own), allowed and rule.scope is not Scope.CHAIN),
            "another clinic": (
                world.caller(role, away),
                allowed and rule.scope is Scope.ANYWHERE,
            ),
        }
        if allowed and rule.scope is not Scope.ANYWHERE:
            cases["whole chain"] = world.caller(role, world.chain), True
        for place, (caller, may) in cases.items():
            answer = ask(world, operation, caller)
            if answer.status != 403 if not may else answer.status not in let_in:
                wrong.append(f"{role} at {place}, {may=}: {answer}")
        answer = ask(world, operation, world.caller(role, world.other.chain))
        unknown = {404, 400} if any(related(operation.body)) else {404}
        if role not in POLICY[operation.key].roles:
            unknown = {403, 404} if by_key else {403}
        if (by_key or not allowed) and answer.status not in unknown:
            wrong.append(f"{role} of another chain, {allowed=}: {answer}")
    assert not wrong, "\n".join(wrong)
