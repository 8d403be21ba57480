"""People sign in with a password and a code; sessions end; nothing is left of who is removed."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone
from rest_framework.settings import api_settings

from clinics.models import AccessToken, Membership, SignInSession
from clinics.services.signed_in import sign_ins_prune
from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, sign_in
from tests.support.factories import PASSWORD, make_chain, make_membership, make_staff
from tests.support.sign_in import Person, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk():
    staff = make_staff(user=True)
    make_membership(staff, Role.FRONT_DESK)
    return staff


def test_a_password_begins_a_session_that_works(desk):
    person = Person(desk)
    answer = person.login()
    assert answer.status_code == 200
    assert answer.json()["data"]["user"] == {"username": desk.user.username}
    assert person.get("/me").json()["staff_member"] == desk.pk
    assert person.get("/clinics").status_code == 200
    assert person.get("/auth/session").json()["meta"]["is_authenticated"]


def test_who_signs_out_or_asks_how_far_they_are_spends_no_attempts_of_others(desk, monkeypatch):
    rates = {"default": "100/min", "sign_in": "100/min"}
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", rates)
    person = signed_in(desk)
    asked = person.get("/auth/session")
    left = person.delete("/auth/session")
    assert (asked.status_code, left.status_code) == (200, 204)
    for answer in (asked, left):
        assert answer.headers["RateLimit-Policy"].startswith('"default"')


def test_a_session_may_write_and_the_history_says_who(desk):
    manager = make_staff(desk.chain, user=True)
    make_membership(manager, Role.CHAIN_MANAGER)
    person = signed_in(manager)
    made = person.post("/clinics", {"name": "Quay", "time_zone": "UTC", "country": "DE"})
    assert made.status_code == 201
    told = person.get("/history", record="clinic").json()["items"]
    assert [row["staff_member"] for row in told if row["operation"] == "C"] == [manager.pk]


@pytest.mark.parametrize("password", [f" {PASSWORD} ", f"{PASSWORD}\u0085"])
def test_a_space_at_an_end_is_part_of_a_password(desk, password):
    desk.user.set_password(password)
    desk.user.save()
    person = Person(desk)
    assert person.login(password).status_code == 200
    assert person.prove(password).status_code == 200
    assert_problem(Person(desk).login(password.strip()), 400, "username_password_mismatch")


def test_a_password_of_spaces_is_a_wrong_one(desk):
    assert_problem(Person(desk).login("\u0085"), 400, "username_password_mismatch")


@pytest.mark.parametrize("wrong", ["password", "user", "not on the staff", "inactive"])
def test_every_refusal_looks_the_same(wrong):
    staff = make_staff(user=True, active=wrong != "inactive")
    body = {"username": staff.user.username, "password": PASSWORD}
    if wrong == "not on the staff":
        staff.user = None
        staff.save()
    elif wrong == "user":
        body["username"] = "nobody"
    elif wrong == "password":
        body["password"] = "something-else-1"
    answer = anonymous().post("/auth/login", body)
    problem = assert_problem(answer, 400, "username_password_mismatch")
    assert problem["errors"][0]["pointer"] == "/password"
    assert problem["detail"] == "The username and/or password you specified are not correct."
    assert not SignInSession.objects.exists()


@pytest.mark.parametrize(
    "body", [{}, {"username": "someone"}, {"username": "a", "password": "b", "remember": True}]
)
def test_a_malformed_sign_in_is_named(body):
    assert_problem(anonymous().post("/auth/login", body), 400, "invalid")


def test_a_stale_session_in_the_header_does_not_keep_from_signing_in(desk):
    person = signed_in(desk)
    SignInSession.objects.all().delete()
    assert_problem(person.get("/auth/session"), 401, "session_gone")
    assert person.login().status_code == 200
    assert person.get("/me").status_code == 200


def test_nobody_makes_an_account_for_themselves():
    for path in ("/auth/signup", "/auth/password/request", "/auth/code/request", "/config"):
        assert_problem(anonymous().post(path, {}), 404)


def test_signing_out_ends_this_session_only(desk):
    person, elsewhere = signed_in(desk), signed_in(desk)
    assert person.delete("/auth/session").status_code == 204
    assert_problem(person.get("/me"), 401)
    assert_problem(person.get("/auth/session"), 401, "session_gone")
    assert elsewhere.get("/me").status_code == 200


def test_signing_out_without_a_session_is_refused():
    assert_problem(anonymous().delete("/auth/session"), 401, "not_signed_in")


def test_a_session_is_over_after_its_time_however_busy_it_is(desk, settings):
    begins = timezone.now()
    with time_machine.travel(begins, tick=False):
        person = signed_in(desk)
    for hours in (1.5, 3, 4.5, 6, 7.5, 9, 10.5, 11.9):
        with time_machine.travel(begins + timedelta(hours=hours), tick=False):
            assert person.get("/me").status_code == 200
    with time_machine.travel(begins + settings.FALLOW_SESSION_LASTS, tick=False):
        answer = person.get("/me")
    assert_problem(answer, 401)
    assert answer.headers["WWW-Authenticate"]


def test_a_session_that_is_not_used_is_over(desk, settings):
    begins = timezone.now()
    with time_machine.travel(begins, tick=False):
        person = signed_in(desk)
    with time_machine.travel(begins + settings.FALLOW_SESSION_IDLE, tick=False):
        assert_problem(person.get("/me"), 401)


def test_my_sessions_are_listed_and_ended_one_by_one(desk):
    person, elsewhere = signed_in(desk), signed_in(desk)
    signed_in(make_staff(desk.chain, user=True))
    rows = person.get("/me/sessions").json()["items"]
    assert [row["current"] for row in rows] == [True, False]
    other = rows[1]["id"]
    assert person.delete(f"/me/sessions/{other}").status_code == 204
    assert_problem(elsewhere.get("/me"), 401)
    assert_problem(person.delete(f"/me/sessions/{other}"), 404)
    assert person.get("/me").status_code == 200


def test_a_session_of_somebody_else_cannot_be_ended(desk):
    person = signed_in(desk)
    colleague = signed_in(make_staff(desk.chain, user=True))
    row = SignInSession.objects.get(user=colleague.staff.user)
    assert_problem(person.delete(f"/me/sessions/{row.pk}"), 404)
    assert colleague.get("/me").status_code == 200


class TestGoneOnTheNextRequest:
    """What is taken away is gone at once, by whichever credential."""

    def test_a_role(self, desk):
        person = signed_in(desk)
        assert person.get("/clinics").status_code == 200
        Membership.objects.filter(staff_member=desk).delete()
        assert_problem(person.get("/clinics"), 403)

    def test_a_session(self, desk):
        person = signed_in(desk)
        SignInSession.objects.all().delete()
        assert_problem(person.get("/me"), 401)

    def test_a_token(self):
        caller = sign_in(Role.FRONT_DESK)
        AccessToken.objects.all().delete()
        assert_problem(caller.get("/me"), 401)

    def test_a_member_of_staff_and_their_sign_ins_do_not_come_back_with_them(self, desk):
        manager = sign_in(Role.CHAIN_MANAGER, chain=desk.chain)
        person = signed_in(desk)
        path = f"/staff-members/{desk.pk}"
        assert manager.patch(path, {"active": False}, version="*").status_code == 200
        assert_problem(person.get("/me"), 401)
        assert manager.patch(path, {"active": True}, version="*").status_code == 200
        assert_problem(person.get("/me"), 401)
        assert person.login().status_code == 200

    def test_a_sign_in(self, desk):
        manager = sign_in(Role.CHAIN_MANAGER, chain=desk.chain)
        person = signed_in(desk)
        assert manager.delete(f"/staff-members/{desk.pk}/sign-in", version="*").status_code == 204
        assert_problem(person.get("/me"), 401)
        assert not SignInSession.objects.exists()

    @pytest.mark.parametrize("who", ["they", "a manager"])
    def test_a_password_with_all_that_was_begun_with_it(self, desk, who):
        manager = sign_in(Role.CHAIN_MANAGER, chain=desk.chain)
        person, elsewhere = signed_in(desk), signed_in(desk)
        if who == "they":
            body = {"current": PASSWORD, "new": "copper-meadow-77"}
            assert person.post("/me/password", body).status_code == 204
        else:
            body = {"user_name": desk.user.username, "password": "copper-meadow-77"}
            answer = manager.put(f"/staff-members/{desk.pk}/sign-in", body, version="*")
            assert answer.status_code == 200
        for caller in (person, elsewhere):
            assert_problem(caller.get("/me"), 401)
        assert elsewhere.login("copper-meadow-77").status_code == 200

    def test_a_session_whose_password_was_changed_past_the_service(self, desk):
        person = signed_in(desk)
        desk.user.set_password("copper-meadow-77")
        desk.user.save()
        assert_problem(person.get("/me"), 401)


def test_a_session_of_one_chain_shows_nothing_of_another(desk):
    other = sign_in(Role.CHAIN_MANAGER, chain=make_chain())
    assert other.get("/staff-members").json()["items"][0]["id"] != desk.pk
    assert_problem(other.delete(f"/staff-members/{desk.pk}/second-factor", version="*"), 404)
    assert_problem(other.get(f"/staff-members/{desk.pk}/sign-in-lock"), 404)


def test_a_bearer_token_does_not_reach_what_concerns_a_session():
    caller = sign_in(Role.FRONT_DESK)
    for path in ("/account/authenticators", "/account/authenticators/totp"):
        assert_problem(caller.get(path), 401)
    assert_problem(caller.post("/auth/reauthenticate", {"password": PASSWORD}), 401)


@pytest.mark.parametrize("token", ["", "x", "fällow", "a" * 5000, "'; DROP TABLE"])
def test_no_session_of_ours_is_401(token):
    caller = anonymous()
    caller.client.credentials(HTTP_X_SESSION_TOKEN=token)
    assert_problem(caller.get("/me"), 401)


def test_what_is_over_is_forgotten(desk):
    signed_in(desk)
    assert sign_ins_prune(now=timezone.now()) == 0
    assert sign_ins_prune(now=timezone.now() + timedelta(hours=13)) >= 1
    assert not SignInSession.objects.exists()
