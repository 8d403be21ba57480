"""Every operation without a credential, and with one that is over or taken away.

OWASP ASVS 5.0.0, 8.3.1 (enforced by the service) and 8.3.2 (a change counts on the next request).
"""

from datetime import timedelta

import pytest
from knox.models import get_token_model

from clinics.models import Membership
from clinics.policy import POLICY
from clinics.vocabulary import Role
from tests.support.access_world import undone
from tests.support.api import Caller, anonymous
from tests.support.asking import NO_SECRET, ask
from tests.support.demo import LOADED_AT
from tests.support.factories import make_membership, make_staff
from tests.support.operations import operations

pytestmark = pytest.mark.django_db

GUARDED = [one for one in operations() if not one.is_open]
OPEN = [one for one in operations() if one.is_open]
OF_SESSIONS = "own.session"


@pytest.fixture
def everybody(world):
    """Somebody who holds every role in the whole chain."""
    staff = make_staff(world.chain, user=True)
    for role in Role:
        make_membership(staff, role)
    return Caller(staff)


def refused(world, caller, *, status):
    """What answers otherwise than with that status."""
    return {
        one.name: str(answer)
        for one in GUARDED
        if (answer := ask(world, one, caller)).status != status
    }


def test_without_a_credential(world):
    assert refused(world, anonymous(), status=401) == {}


def test_with_a_token_that_is_nobodys(world):
    caller = anonymous()
    caller.client.credentials(HTTP_AUTHORIZATION=f"Bearer {NO_SECRET}")
    assert refused(world, caller, status=401) == {}


def test_with_an_expired_token(world, everybody):
    tokens = get_token_model().objects.filter(user=everybody.staff.user)
    assert tokens.update(expiry=LOADED_AT - timedelta(seconds=1))
    assert refused(world, everybody, status=401) == {}


def test_with_a_token_that_was_taken_away(world, everybody):
    get_token_model().objects.filter(user=everybody.staff.user).delete()
    assert refused(world, everybody, status=401) == {}


def test_a_role_that_is_removed_is_gone_on_the_next_request(world, everybody):
    """With a control: the same token, with the role, is let in."""
    asked = [one for one in GUARDED if one.key not in {"own.use", OF_SESSIONS}]
    probe = next(one for one in asked if one.name == "GET /api/v1/clinics")
    assert ask(world, probe, everybody).status == 200
    with undone():
        Membership.objects.filter(staff_member=everybody.staff).delete()
        wrong = {
            one.name: str(answer)
            for one in asked
            if (answer := ask(world, one, everybody)).status != 403
        }
    assert wrong == {}


def test_open_operations_answer_everyone_alike(world, everybody):
    told = {}
    for one in OPEN:
        nobody, known = ask(world, one, anonymous()), ask(world, one, everybody)
        if nobody.status != known.status:
            told[one.name] = (str(nobody), str(known))
    assert told == {}


def test_every_key_of_an_operation_is_in_the_table():
    assert {one.key for one in GUARDED} <= POLICY.keys()
