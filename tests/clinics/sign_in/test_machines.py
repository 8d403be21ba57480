"""Tokens of machines: named, for some actions, until an end, and gone when they are revoked."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from clinics.models import AccessToken, Membership, SignInSession
from clinics.scopes import GROUPS, OF_MACHINES
from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, queries_of, sign_in
from tests.support.factories import make_chain, make_membership, make_staff

pytestmark = pytest.mark.django_db


@pytest.fixture
def manager():
    return sign_in(Role.CHAIN_MANAGER)


@pytest.fixture
def machine(manager):
    """A member of staff who stands for a machine: nobody can sign in as it."""
    staff = make_staff(manager.staff.chain)
    make_membership(staff, Role.INTEGRATOR)
    return staff


def asked(machine, **more):
    return {
        "staff_member": machine.pk,
        "name": "diary screen",
        "scopes": ["organisation.read"],
        "expires_at": (timezone.now() + timedelta(days=30)).isoformat(),
        **more,
    }


def make(manager, machine, **more):
    answer = manager.post("/machine-tokens", asked(machine, **more))
    assert answer.status_code == 201, answer.json()
    return answer.json()


def bearing(token):
    caller = anonymous()
    caller.client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    return caller


def test_it_works_for_what_it_was_made_for_and_nothing_else(manager, machine):
    caller = bearing(make(manager, machine)["token"])
    assert caller.get("/clinics").status_code == 200
    problem = assert_problem(caller.get("/patients"), 403, "out_of_scope")
    assert problem["scopes"] == ["organisation.read"]
    me = caller.get("/me").json()
    assert me["may"] == me["scopes"] == ["organisation.read"]


def test_its_text_is_shown_once_and_kept_as_a_digest(manager, machine):
    made = make(manager, machine)
    token = made.pop("token")
    assert manager.get(f"/machine-tokens/{made['id']}").json() == made
    [row] = manager.get("/machine-tokens").json()["items"]
    assert row == made
    told = str(AccessToken.objects.filter(machine=True).values())
    assert token not in told
    assert token[20:] not in told


def test_it_says_when_it_was_used_last(manager, machine):
    made = make(manager, machine)
    assert made["last_used_on"] is None
    bearing(made["token"]).get("/clinics")
    shown = manager.get(f"/machine-tokens/{made['id']}").json()
    assert shown["last_used_on"] == timezone.now().date().isoformat()


def test_a_group_is_spelt_out(manager, machine):
    assert make(manager, machine, scopes=["booking"])["scopes"] == sorted(GROUPS["booking"])


def test_every_group_is_something_a_machine_may_do():
    assert all(actions and actions <= OF_MACHINES for actions in GROUPS.values())


@pytest.mark.parametrize("unfit", ["membership.write", "healing.decide", "everything", "own"])
def test_what_an_integrator_may_not_do_is_no_scope(manager, machine, unfit):
    body = asked(machine, scopes=["organisation.read", unfit])
    problem = assert_problem(manager.post("/machine-tokens", body), 400, "scope_unfit")
    assert problem["unfit"] == [unfit]
    assert not AccessToken.objects.filter(machine=True).exists()


def test_it_ends(manager, machine):
    caller = bearing(make(manager, machine)["token"])
    with time_machine.travel(timezone.now() + timedelta(days=30, seconds=1), tick=False):
        assert_problem(caller.get("/clinics"), 401)


@pytest.mark.parametrize("days", [-1, 0, 367, 4000])
def test_an_end_is_in_the_future_and_within_a_year(manager, machine, days):
    ends = (timezone.now() + timedelta(days=days)).isoformat()
    answer = manager.post("/machine-tokens", asked(machine, expires_at=ends))
    assert_problem(answer, 400, "machine_expiry_unfit")
    assert not AccessToken.objects.filter(machine=True).exists()


@pytest.mark.parametrize("left_out", ["name", "scopes", "expires_at", "staff_member"])
def test_nothing_may_be_left_out(manager, machine, left_out):
    body = asked(machine)
    del body[left_out]
    assert_problem(manager.post("/machine-tokens", body), 400, "invalid")


def test_revoked_it_is_gone_on_the_next_request(manager, machine):
    made = make(manager, machine)
    caller = bearing(made["token"])
    assert caller.get("/clinics").status_code == 200
    assert manager.delete(f"/machine-tokens/{made['id']}").status_code == 204
    assert_problem(caller.get("/clinics"), 401)
    assert_problem(manager.delete(f"/machine-tokens/{made['id']}"), 404)


def test_the_role_taken_away_it_may_nothing(manager, machine):
    caller = bearing(make(manager, machine)["token"])
    Membership.objects.filter(staff_member=machine).delete()
    assert_problem(caller.get("/clinics"), 403)


def test_who_it_acts_as_has_left(manager, machine):
    caller = bearing(make(manager, machine)["token"])
    path = f"/staff-members/{machine.pk}"
    assert manager.patch(path, {"active": False}, version="*").status_code == 200
    assert_problem(caller.get("/clinics"), 401)


def test_it_acts_as_an_integrator_alone_whatever_else_they_are(manager):
    person = make_staff(manager.staff.chain, user=True)
    make_membership(person, Role.INTEGRATOR)
    make_membership(person, Role.CHAIN_MANAGER)
    caller = bearing(make(manager, person, scopes=["reading"])["token"])
    assert_problem(caller.get("/memberships"), 403)
    assert [role["role"] for role in caller.get("/me").json()["roles"]] == ["integrator"]


def test_what_belongs_to_the_person_behind_it_is_out_of_its_reach(manager):
    """Their password and open sessions, whatever the machine was made for."""
    person = make_staff(manager.staff.chain, user=True)
    make_membership(person, Role.INTEGRATOR)
    person.user.set_password("copper-meadow-77")
    person.user.save()
    given = {"username": person.user.username, "password": "copper-meadow-77"}
    signed_in = anonymous().post("/auth/login", given)
    [session] = SignInSession.objects.filter(user=person.user)
    caller = bearing(make(manager, person, scopes=["reading"])["token"])
    change = {"current": "copper-meadow-77", "new": "harbour-lantern-58"}
    for refused in (
        caller.get("/me/sessions"),
        caller.delete(f"/me/sessions/{session.pk}"),
        caller.post("/me/password", change),
    ):
        assert_problem(refused, 403, "out_of_scope")
    assert signed_in.status_code == 200
    assert SignInSession.objects.filter(pk=session.pk).exists()
    person.user.refresh_from_db()
    assert person.user.check_password("copper-meadow-77")
    assert caller.delete("/tokens/current").status_code == 204


def test_a_second_factor_is_not_asked_of_a_machine(manager, machine):
    caller = bearing(make(manager, machine)["token"])
    body = {"second_factor_roles": ["integrator"]}
    assert manager.patch("/chain", body, version="*").status_code == 200
    assert caller.get("/clinics").status_code == 200


def test_who_is_no_integrator_is_refused(manager):
    staff = make_staff(manager.staff.chain)
    make_membership(staff, Role.FRONT_DESK)
    answer = manager.post("/machine-tokens", asked(staff))
    assert_problem(answer, 422, "machine_role_missing")
    staff.refresh_from_db()
    assert staff.user is None


def test_nobody_can_sign_in_as_a_machine(manager, machine):
    make(manager, machine)
    machine.refresh_from_db()
    for password in ("", "!", machine.user.password):
        body = {"user_name": machine.user.username, "password": password or "x"}
        assert_problem(anonymous().post("/tokens", body), 401, "sign_in_refused")


@pytest.mark.parametrize("role", [role for role in Role if role != Role.CHAIN_MANAGER])
def test_only_a_manager_may(manager, machine, role):
    caller = sign_in(role, chain=manager.staff.chain)
    made = make(manager, machine)
    assert_problem(caller.post("/machine-tokens", asked(machine)), 403)
    assert_problem(caller.get("/machine-tokens"), 403)
    assert_problem(caller.delete(f"/machine-tokens/{made['id']}"), 403)
    assert AccessToken.objects.filter(machine=True).count() == 1


def test_another_chain_sees_and_makes_none(manager, machine):
    made = make(manager, machine)
    other = sign_in(Role.CHAIN_MANAGER, chain=make_chain())
    assert other.get("/machine-tokens").json()["items"] == []
    assert_problem(other.get(f"/machine-tokens/{made['id']}"), 404)
    assert_problem(other.delete(f"/machine-tokens/{made['id']}"), 404)
    assert_problem(other.post("/machine-tokens", asked(machine)), 400)


def test_tokens_of_people_are_not_among_them(manager, machine):
    assert manager.get("/machine-tokens").json()["items"] == []


def test_a_list_costs_the_same_for_two_and_for_twelve(manager, machine):
    for _ in range(2):
        make(manager, machine)
    few = queries_of(manager, "/machine-tokens")
    for _ in range(10):
        make(manager, machine)
    assert queries_of(manager, "/machine-tokens") == few
