"""Signing in and out; who is signed in; roles and tokens that are taken away are gone at once."""

from datetime import timedelta

import pytest
import time_machine
from django.core.cache import cache
from django.utils import timezone
from rest_framework.settings import api_settings

from clinics.models import AccessToken, Membership
from clinics.vocabulary import Role
from tests.support.api import Caller, anonymous, assert_problem, sign_in
from tests.support.factories import (
    LONG_AGO,
    PASSWORD,
    make_chain,
    make_clinic,
    make_membership,
    make_staff,
)

pytestmark = pytest.mark.django_db


def ask(staff, password=PASSWORD):
    body = {"user_name": staff.user.username, "password": password}
    return anonymous().post("/tokens", body)


def bearing(token):
    caller = anonymous()
    caller.client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    return caller


def test_signing_in_gives_a_token_that_works_and_expires():
    staff = make_staff(user=True)
    answer = ask(staff)
    assert answer.status_code == 201
    token = answer.json()["token"]
    assert bearing(token).get("/me").json()["staff_member"] == staff.pk
    with time_machine.travel(timezone.now() + timedelta(hours=13)):
        assert_problem(bearing(token).get("/me"), 401)


def test_only_a_hash_of_the_token_is_kept():
    token = ask(make_staff(user=True)).json()["token"]
    row = AccessToken.objects.get()
    assert token not in {row.digest, row.token_key}


@pytest.mark.parametrize("wrong", ["password", "user", "not on the staff", "inactive"])
def test_every_refusal_of_a_sign_in_looks_the_same(wrong):
    staff = make_staff(user=True, active=wrong != "inactive")
    name, password = staff.user.username, PASSWORD
    if wrong == "not on the staff":
        staff.user = None
        staff.save()
    body = {
        "user_name": "nobody" if wrong == "user" else name,
        "password": "something-else-1" if wrong == "password" else password,
    }
    answer = anonymous().post("/tokens", body)
    problem = assert_problem(answer, 401, "sign_in_refused")
    assert "is wrong, or the person" in problem["detail"]
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    assert not AccessToken.objects.exists()


def test_a_stale_token_in_the_header_does_not_keep_from_signing_in():
    staff = make_staff(user=True)
    body = {"user_name": staff.user.username, "password": PASSWORD}
    assert bearing("fallow_stale").post("/tokens", body).status_code == 201


def test_signing_in_has_a_quota_of_its_own(monkeypatch):
    cache.clear()
    monkeypatch.setitem(api_settings.DEFAULT_THROTTLE_RATES, "sign_in", "3/min")
    staff = make_staff(user=True)
    with time_machine.travel(timezone.now(), tick=False):
        seen = [ask(staff, "guess-number-1").status_code for _ in range(4)]
        last = ask(staff)
    assert seen == [401, 401, 401, 429]
    assert_problem(last, 429)
    assert "Retry-After" in last.headers


def test_signing_out_ends_this_token_only():
    caller = sign_in(Role.FRONT_DESK)
    other = Caller(caller.staff)
    assert caller.delete("/tokens/current").status_code == 204
    assert_problem(caller.get("/me"), 401)
    assert other.get("/me").status_code == 200


def test_me_names_chain_roles_and_what_they_allow():
    clinic = make_clinic(name="Harbour")
    caller = sign_in(Role.FRONT_DESK, clinic=clinic)
    make_membership(
        caller.staff, Role.LASER_OPERATOR, since=LONG_AGO, until=LONG_AGO.replace(day=2)
    )
    me = caller.get("/me").json()
    assert me["chain"] == clinic.chain_id
    assert me["roles"] == [
        {
            "role": "front_desk",
            "clinic": {"id": clinic.pk, "name": "Harbour", "time_zone": "UTC"},
        }
    ]
    assert "appointment.write" in me["may"]
    assert "session.write" not in me["may"]


def test_somebody_without_a_role_may_see_themselves_and_sign_out_and_no_more():
    caller = sign_in(None)
    assert caller.get("/me").json()["may"] == []
    assert_problem(caller.get("/clinics"), 403)
    assert caller.delete("/tokens/current").status_code == 204


def test_a_role_that_is_taken_away_is_gone_on_the_next_request():
    caller = sign_in(Role.FRONT_DESK)
    assert caller.get("/clinics").status_code == 200
    Membership.objects.filter(staff_member=caller.staff).delete()
    assert_problem(caller.get("/clinics"), 403)


def test_a_role_counts_only_while_it_is_valid():
    caller = sign_in(None)
    ends = timezone.now() + timedelta(minutes=5)
    make_membership(caller.staff, Role.FRONT_DESK, until=ends)
    assert caller.get("/clinics").status_code == 200
    with time_machine.travel(ends, tick=False):
        assert_problem(caller.get("/clinics"), 403)


def test_who_has_left_is_refused_on_the_next_request():
    caller = sign_in()
    caller.staff.active = False
    caller.staff.save()
    problem = assert_problem(caller.get("/me"), 401)
    assert "nobody on the staff" in problem["detail"]


@pytest.mark.parametrize(
    "header", ["", "Bearer", "Bearer a b", "Bearer fallow_unknown", "Bearer fällow", "Basic eDp5"]
)
def test_no_token_of_ours_is_401(header):
    caller = anonymous()
    caller.client.credentials(HTTP_AUTHORIZATION=header)
    answer = caller.get("/me")
    assert_problem(answer, 401)
    assert answer.headers["WWW-Authenticate"] == "Bearer"


def test_changing_my_password_ends_my_tokens():
    caller = sign_in(chain=make_chain())
    wrong = {"current": "not-the-password", "new": "copper-meadow-77"}
    assert_problem(caller.post("/me/password", wrong), 422, "password_wrong")
    answer = caller.post("/me/password", {"current": PASSWORD, "new": "copper-meadow-77"})
    assert answer.status_code == 204
    assert_problem(caller.get("/me"), 401)
    assert ask(caller.staff, "copper-meadow-77").status_code == 201
    assert_problem(ask(caller.staff, PASSWORD), 401)


@pytest.mark.parametrize("weak", ["123456789012345", "password12345", "short"])
def test_a_weak_password_is_refused(weak):
    caller = sign_in()
    problem = assert_problem(caller.post("/me/password", {"current": PASSWORD, "new": weak}), 400)
    assert {error["pointer"] for error in problem["errors"]} == {"/new"}
    assert caller.get("/me").status_code == 200
