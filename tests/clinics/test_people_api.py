"""Staff, sign-ins, credentials, shifts and roles over HTTP."""

from datetime import timedelta

import pytest
from django.contrib.auth import get_user_model
from django.db import IntegrityError
from django.utils import timezone

from clinics.access import actor_for
from clinics.models import Membership, Resource, Shift, StaffMember
from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, pointers, sign_in
from tests.support.factories import (
    PASSWORD,
    instant,
    make_chain,
    make_clinic,
    make_credential,
    make_membership,
    make_reservation,
    make_shift,
    make_staff,
    span,
)

pytestmark = pytest.mark.django_db

DAY = "2026-03-02"


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def manager(clinic):
    return sign_in(chain=clinic.chain)


def test_a_member_of_staff_comes_with_a_resource(manager):
    person = manager.post("/staff-members", {"name": "Robin Example"}).json()
    resource = Resource.objects.get(pk=person["resource"])
    assert (resource.kind, resource.chain) == ("staff", manager.staff.chain)
    assert person["user_name"] is None


def test_who_leaves_may_not_have_visits_ahead(manager):
    person = make_staff(manager.staff.chain)
    soon = timezone.now() + timedelta(days=1)
    visit = make_reservation(person.resource, span(soon))
    path = f"/staff-members/{person.pk}"
    problem = assert_problem(manager.patch(path, {"active": False}, version=1), 409)
    assert problem["sources"] == [visit.source]
    visit.delete()
    assert manager.patch(path, {"active": False}, version=1).json()["active"] is False


def test_another_chains_people_do_not_exist(manager):
    person = make_staff(name="Secret person")
    path = f"/staff-members/{person.pk}"
    assert_problem(manager.get(path), 404)
    assert_problem(manager.patch(path, {"name": "X"}, version="*"), 404)
    sign_in_body = {"user_name": "robin", "password": PASSWORD}
    assert_problem(manager.put(f"{path}/sign-in", sign_in_body, version="*"), 404)
    for path, body in (
        ("/memberships", {"role": "front_desk", "start": "2026-01-01T00:00Z"}),
        ("/credentials", {"kind": "laser_operation", "valid_from": "2026-01-01"}),
    ):
        problem = assert_problem(manager.post(path, {**body, "staff_member": person.pk}), 400)
        assert pointers(problem) == {"/staff_member": "does_not_exist"}
        assert "Secret" not in str(problem)


def test_a_sign_in_is_given_changed_and_taken_away(manager):
    person = make_staff(manager.staff.chain)
    path = f"/staff-members/{person.pk}/sign-in"
    given = manager.put(path, {"user_name": "robin", "password": PASSWORD}, version=1)
    assert given.json()["user_name"] == "robin"
    assert "password" not in given.json()
    token = anonymous().post("/tokens", {"user_name": "robin", "password": PASSWORD})
    assert token.status_code == 201

    other = {"user_name": "robin", "password": "copper-meadow-77"}
    assert manager.put(path, other, version=given.headers["ETag"]).status_code == 200
    old = {"user_name": "robin", "password": PASSWORD}
    assert_problem(anonymous().post("/tokens", old), 401)

    assert manager.delete(path, version=3).status_code == 204
    assert_problem(anonymous().post("/tokens", other), 401)
    assert not get_user_model().objects.filter(username="robin").exists()


def test_a_user_name_that_is_taken_is_refused(manager):
    taken = make_staff(user=True).user.username
    person = make_staff(manager.staff.chain)
    body = {"user_name": taken, "password": PASSWORD}
    answer = manager.put(f"/staff-members/{person.pk}/sign-in", body, version=1)
    assert_problem(answer, 409, "user_name_taken")
    person.refresh_from_db()
    assert person.user is None


def test_only_a_manager_of_the_whole_chain_sets_passwords(clinic):
    caller = sign_in(Role.CHAIN_MANAGER, clinic=clinic)
    boss = make_staff(clinic.chain, user=True)
    body = {"user_name": "robin", "password": "copper-meadow-77"}
    answer = caller.put(f"/staff-members/{boss.pk}/sign-in", body, version=1)
    assert_problem(answer, 403, "not_allowed")
    boss.user.refresh_from_db()
    assert boss.user.check_password(PASSWORD)


def test_a_role_given_over_the_api_works_at_once(manager, clinic):
    caller = sign_in(None, chain=clinic.chain)
    assert_problem(caller.get("/rooms"), 403)
    body = {
        "staff_member": caller.staff.pk,
        "clinic": clinic.pk,
        "role": "front_desk",
        "start": "2026-01-01T00:00:00Z",
    }
    given = manager.post("/memberships", body)
    assert given.status_code == 201
    assert given.json()["end"] is None
    assert caller.get("/rooms").status_code == 200

    path = f"/memberships/{given.json()['id']}"
    ended = manager.patch(path, {"end": "2026-02-01T00:00:00Z"}, version=1)
    assert ended.json()["start"] == body["start"]
    assert_problem(caller.get("/rooms"), 403)


def test_the_same_role_is_not_held_twice_at_once(manager, clinic):
    person = make_staff(clinic.chain)
    make_membership(person, Role.FRONT_DESK, clinic=clinic)
    body = {"staff_member": person.pk, "role": "front_desk", "start": "2026-01-01T00:00Z"}
    again = {**body, "clinic": clinic.pk}
    assert_problem(manager.post("/memberships", again), 409, "membership_overlaps")
    assert manager.post("/memberships", body).status_code == 201
    assert_problem(manager.post("/memberships", body), 409, "membership_overlaps")
    with pytest.raises(IntegrityError, match="membership_once_at_a_time"):
        make_membership(person, Role.FRONT_DESK)


def test_a_manager_of_one_clinic_gives_no_role_beyond_it(clinic):
    caller = sign_in(Role.CHAIN_MANAGER, clinic=clinic)
    other = make_clinic(clinic.chain)
    body = {"staff_member": caller.staff.pk, "role": "chain_manager", "start": "2026-01-01T00:00Z"}
    for place in (None, other.pk):
        answer = caller.post("/memberships", {**body, "clinic": place})
        assert_problem(answer, 403, "not_allowed")
    everywhere = make_membership(make_staff(clinic.chain), Role.CHAIN_MANAGER)
    assert_problem(caller.delete(f"/memberships/{everywhere.pk}", version=1), 403)
    assert Membership.objects.count() == 2


def test_a_manager_of_one_clinic_sends_nobody_away_from_elsewhere(manager, clinic):
    caller = sign_in(Role.CHAIN_MANAGER, clinic=clinic)
    here = make_membership(make_staff(clinic.chain), Role.FRONT_DESK, clinic=clinic).staff_member
    both = make_membership(make_staff(clinic.chain), Role.FRONT_DESK, clinic=clinic).staff_member
    make_membership(both, Role.LASER_OPERATOR, clinic=make_clinic(clinic.chain))
    everywhere = make_membership(make_staff(clinic.chain), Role.CHAIN_MANAGER).staff_member
    for person in (both, everywhere):
        path = f"/staff-members/{person.pk}"
        assert_problem(caller.patch(path, {"active": False}, version="*"), 403, "not_allowed")
        assert manager.patch(path, {"active": False}, version="*").status_code == 200
        assert_problem(caller.patch(path, {"active": True}, version="*"), 403, "not_allowed")
    path = f"/staff-members/{here.pk}"
    assert caller.patch(path, {"active": False}, version="*").json()["active"] is False


def test_a_role_that_has_ended_keeps_nobody(clinic):
    caller = sign_in(Role.CHAIN_MANAGER, clinic=clinic)
    person = make_staff(clinic.chain)
    make_membership(
        person,
        Role.CHAIN_MANAGER,
        since=instant("2025-01-01T00:00Z"),
        until=instant("2025-02-01T00:00Z"),
    )
    path = f"/staff-members/{person.pk}"
    assert caller.patch(path, {"active": False}, version="*").json()["active"] is False


def test_what_a_membership_says_is_given_once(manager, clinic):
    row = make_membership(make_staff(clinic.chain), Role.FRONT_DESK, clinic=clinic)
    answer = manager.patch(f"/memberships/{row.pk}", {"role": "chain_manager"}, version=1)
    assert pointers(assert_problem(answer, 400)) == {"/role": "fixed"}


def test_the_last_who_may_manage_the_chain_stays(manager):
    own = Membership.objects.get(staff_member=manager.staff)
    me = f"/staff-members/{manager.staff.pk}"
    refusals = [
        manager.delete(f"/memberships/{own.pk}", version=1),
        manager.patch(f"/memberships/{own.pk}", {"end": "2030-01-01T00:00Z"}, version=1),
        manager.patch(me, {"active": False}, version=1),
        manager.delete(f"{me}/sign-in", version=1),
    ]
    for answer in refusals:
        assert_problem(answer, 422, "last_chain_manager")
    assert actor_for(manager.staff.user_id, now=timezone.now()).may("membership.of_chain")

    make_membership(make_staff(manager.staff.chain, user=True), Role.CHAIN_MANAGER)
    assert manager.delete(f"/memberships/{own.pk}", version=1).status_code == 204
    assert_problem(manager.get("/clinics"), 403)


@pytest.mark.parametrize("role", list(Role))
def test_who_may_see_and_give_roles(clinic, role):
    caller = sign_in(role, chain=clinic.chain)
    allowed = role == Role.CHAIN_MANAGER
    assert caller.get("/memberships").status_code == (200 if allowed else 403)
    body = {"staff_member": caller.staff.pk, "role": "integrator", "start": "2026-01-01T00:00Z"}
    assert caller.post("/memberships", body).status_code == (201 if allowed else 403)


@pytest.mark.parametrize("role", list(Role))
def test_who_may_write_credentials(clinic, role):
    caller = sign_in(role, chain=clinic.chain)
    body = {
        "staff_member": make_staff(clinic.chain).pk,
        "kind": "laser_operation",
        "valid_from": "2026-01-01",
        "wavelengths_nm": [1064, 532],
    }
    allowed = role in {Role.CHAIN_MANAGER, Role.LASER_SAFETY_OFFICER}
    answer = caller.post("/credentials", body)
    assert answer.status_code == (201 if allowed else 403)
    if allowed:
        assert answer.json()["wavelengths_nm"] == [532, 1064]
        assert answer.json()["valid_until"] is None


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"valid_until": "2026-01-01"}, {"/valid_until": "order"}),
        ({"kind": "juggling"}, {"/kind": "invalid_choice"}),
        ({"wavelengths_nm": ["red"]}, {"/wavelengths_nm/0": "invalid"}),
        ({"valid_from": "soon"}, {"/valid_from": "invalid"}),
    ],
)
def test_a_wrong_credential_is_refused(manager, change, wrong):
    body = {
        "staff_member": manager.staff.pk,
        "kind": "laser_operation",
        "valid_from": "2026-01-01",
    }
    problem = assert_problem(manager.post("/credentials", {**body, **change}), 400, "invalid")
    assert pointers(problem) == wrong


def test_staff_are_found_by_what_they_are_fit_for_on_a_day(manager):
    chain = manager.staff.chain
    both, green, late, gone = (make_staff(chain) for _ in range(4))
    make_credential(both, wavelengths_nm=[532])
    make_credential(both, wavelengths_nm=[1064])
    make_credential(green, wavelengths_nm=[532])
    make_credential(late, since=instant("2026-06-01T00:00Z").date())
    make_credential(gone)
    StaffMember.objects.filter(pk=gone.pk).update(active=False)
    make_credential(make_staff())

    def fit(**query):
        rows = manager.get("/staff-members", fit_for="laser_operation", **query).json()["items"]
        return {row["id"] for row in rows}

    assert fit(on="2026-03-01") == {both.pk, green.pk}
    assert fit(on="2026-03-01", wavelength_nm=1064) == {both.pk}
    assert fit(on="2026-06-01", wavelength_nm=755) == {late.pk}


def shift_body(person, clinic, start="08:00", end="16:00"):
    return {
        "staff_member": person.pk,
        "clinic": clinic.pk,
        "start": f"{DAY}T{start}:00Z",
        "end": f"{DAY}T{end}:00Z",
    }


def test_nobody_works_at_two_places_at_once(manager, clinic):
    person = make_staff(clinic.chain)
    other = make_clinic(clinic.chain)
    assert manager.post("/shifts", shift_body(person, clinic)).status_code == 201
    late = shift_body(person, other, "15:00", "18:00")
    assert_problem(manager.post("/shifts", late), 409, "shift_overlaps")
    after = shift_body(person, other, "16:00", "18:00")
    assert manager.post("/shifts", after).status_code == 201
    assert Shift.objects.count() == 2


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"end": f"{DAY}T08:00:00Z"}, {"/end": "order"}),
        ({"end": None}, {"/end": "null"}),
        ({"start": f"{DAY}T08:00:00"}, {"/start": "naive"}),
        ({"start": "tomorrow"}, {"/start": "invalid"}),
    ],
)
def test_a_wrong_shift_is_refused(manager, clinic, change, wrong):
    body = {**shift_body(make_staff(clinic.chain), clinic), **change}
    assert pointers(assert_problem(manager.post("/shifts", body), 400)) == wrong


@pytest.mark.parametrize("role", list(Role))
def test_who_may_write_shifts_at_their_own_clinic_only(clinic, role):
    caller = sign_in(role, clinic=clinic)
    other = make_clinic(clinic.chain)
    person = make_staff(clinic.chain)
    allowed = role in {Role.CHAIN_MANAGER, Role.FRONT_DESK}
    here = caller.post("/shifts", shift_body(person, clinic, "08:00", "12:00"))
    assert here.status_code == (201 if allowed else 403)
    there = caller.post("/shifts", shift_body(person, other, "13:00", "16:00"))
    assert there.status_code == 403


def test_a_shift_is_not_cut_from_under_a_booked_visit(manager, clinic):
    person = make_staff(clinic.chain)
    begins = timezone.now() + timedelta(days=2)
    shift = make_shift(person, clinic, span(begins, minutes=480))
    visit = make_reservation(person.resource, span(begins + timedelta(hours=6)))
    path = f"/shifts/{shift.pk}"
    shorter = {"end": (begins + timedelta(hours=5)).isoformat()}
    problem = assert_problem(manager.patch(path, shorter, version=1), 409, "visits_in_the_way")
    assert problem["sources"] == [visit.source]
    assert_problem(manager.delete(path, version=1), 409, "visits_in_the_way")

    kept = {"end": (begins + timedelta(hours=7)).isoformat()}
    assert manager.patch(path, kept, version=1).status_code == 200
    assert_problem(manager.delete(path, version=2, despite_visits="perhaps"), 400)
    assert manager.delete(path, version=2, despite_visits="true").status_code == 204
    assert not Shift.objects.exists()


def test_shifts_are_listed_by_the_time_they_share(manager, clinic):
    person = make_staff(clinic.chain)
    hours = [make_shift(person, clinic, span(f"{DAY}T{hour}:00Z")) for hour in ("08", "09", "10")]
    found = manager.get(
        "/shifts", start=f"{DAY}T09:00:00Z", end=f"{DAY}T10:00:00Z", clinic=clinic.pk
    )
    assert [row["id"] for row in found.json()["items"]] == [hours[1].pk]
    turned = manager.get("/shifts", start=f"{DAY}T09:00:00Z", end=f"{DAY}T09:00:00Z")
    assert_problem(turned, 400, "parameter_invalid")
    naive = manager.get("/shifts", start=f"{DAY}T09:00:00")
    assert_problem(naive, 400, "parameter_invalid")
    plus = manager.client.get(f"/api/v1/shifts?start={DAY}T09:00:00+01:00")
    assert "%2B" in str(assert_problem(plus, 400))


def test_roles_of_two_chains_do_not_mix():
    here, there = make_chain(), make_chain()
    caller = sign_in(chain=here)
    make_membership(make_staff(there), Role.FRONT_DESK)
    assert len(caller.get("/memberships").json()["items"]) == 1
