"""A second factor: set up, asked for, taken once; codes for recovery; roles that ask for one."""

from datetime import timedelta

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.utils import timezone

from clinics.models import AccessToken, Change, SignInSession
from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, sign_in
from tests.support.factories import PASSWORD, make_membership, make_staff
from tests.support.sign_in import Person, code_of, signed_in

pytestmark = pytest.mark.django_db

TOTP = "/account/authenticators/totp"
CODES = "/account/authenticators/recovery-codes"


@pytest.fixture
def clock():
    """Time stands still, and goes on when it is told to."""
    with time_machine.travel(timezone.now(), tick=False) as traveller:
        yield traveller


@pytest.fixture
def person(clock):
    """Somebody of the front desk, signed in, who has set an authenticator up a minute ago."""
    staff = make_staff(user=True)
    make_membership(staff, Role.FRONT_DESK)
    person = signed_in(staff)
    answer = person.set_up()
    assert answer.status_code == 200, answer.json()
    clock.shift(timedelta(minutes=1))
    return person


def again(person, *, code=None):
    """The same person at another front end, as far as the code if one is given."""
    other = Person(person.staff)
    other.secret = person.secret
    assert_problem(other.login(), 401, "second_factor_needed")
    if code is not None:
        answer = other.give_code(code)
        assert answer.status_code == 200, answer.json()
    return other


def test_setting_it_up_asks_for_proof_first(clock):
    person = signed_in(make_staff(user=True))
    clock.shift(timedelta(minutes=6))
    offered = assert_problem(person.get(TOTP), 404, "not_set_up")
    secret = offered["meta"]["secret"]
    assert offered["meta"]["totp_url"].startswith("otpauth://totp/")
    body = {"code": code_of(secret)}
    assert_problem(person.post(TOTP, body), 401, "proof_needed")
    assert person.prove().status_code == 200
    assert person.post(TOTP, body).status_code == 200


def test_a_wrong_code_sets_nothing_up(clock):
    person = signed_in(make_staff(user=True))
    person.prove()
    person.get(TOTP)
    assert_problem(person.post(TOTP, {"code": "000000"}), 400, "incorrect_code")
    assert not Authenticator.objects.exists()


def test_the_password_alone_is_no_sign_in_any_more(person):
    other = again(person)
    assert_problem(other.get("/me"), 401)
    assert_problem(other.get("/clinics"), 401)
    assert_problem(other.get(TOTP), 401)


def test_the_code_completes_it(person):
    other = again(person, code=code_of(person.secret))
    assert other.get("/me").json()["second_factor"] is True
    assert other.get("/clinics").status_code == 200


def test_the_pending_session_is_not_the_one_that_is_signed_in(person):
    other = again(person)
    pending = other.session_token
    other.give_code(code_of(person.secret))
    assert other.session_token != pending
    other.bear(pending)
    assert_problem(other.get("/me"), 401)


@pytest.mark.parametrize("wrong", ["000000", "", "12345", "abcdef", "१२३४५६"])
def test_a_wrong_code_is_none(person, wrong):
    other = again(person)
    assert other.give_code(wrong).status_code == 400
    assert_problem(other.get("/me"), 401)


@pytest.mark.parametrize("steps", [-1, 0, 1])
def test_a_clock_may_drift_by_a_step(person, steps):
    again(person, code=code_of(person.secret, steps=steps))


@pytest.mark.parametrize("steps", [-2, 2])
def test_and_by_no_more(person, steps):
    assert_problem(again(person).give_code(code_of(person.secret, steps=steps)), 400)


def test_a_code_is_taken_once(person):
    code = code_of(person.secret)
    again(person, code=code)
    assert_problem(again(person).give_code(code), 400, "incorrect_code")


def test_none_is_taken_of_a_step_before_the_last(person):
    again(person, code=code_of(person.secret, steps=1))
    assert_problem(again(person).give_code(code_of(person.secret)), 400, "incorrect_code")


def test_the_code_that_set_it_up_is_spent(clock):
    person = signed_in(make_staff(user=True))
    person.set_up()
    assert_problem(again(person).give_code(code_of(person.secret)), 400, "incorrect_code")


def test_a_code_is_taken_once_where_the_cache_is_away(person, settings):
    settings.CACHES = {
        "default": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": "redis://127.0.0.1:1/0",
        }
    }
    code = code_of(person.secret)
    again(person, code=code)
    assert_problem(again(person).give_code(code), 400, "incorrect_code")


def test_a_code_for_recovery_is_shown_once_and_taken_once(person):
    assert person.prove().status_code == 200
    codes = person.get(CODES).json()["data"]["unused_codes"]
    assert len(set(codes)) == 10
    assert "unused_codes" not in person.get(CODES).json()["data"]
    again(person, code=codes[0])
    assert_problem(again(person).give_code(codes[0]), 400, "incorrect_code")
    assert person.get(CODES).json()["data"]["unused_code_count"] == 9


def test_new_codes_for_recovery_end_the_old_ones(person):
    person.prove()
    old = person.get(CODES).json()["data"]["unused_codes"]
    new = person.post(CODES).json()["data"]["unused_codes"]
    assert not set(old) & set(new)
    assert_problem(again(person).give_code(old[0]), 400)
    again(person, code=new[0])


def test_taking_it_away_asks_for_proof_and_ends_everything(person, clock):
    other = again(person, code=code_of(person.secret))
    clock.shift(timedelta(minutes=10))
    assert_problem(person.delete(TOTP), 401, "proof_needed")
    assert Authenticator.objects.filter(type="totp").exists()
    person.post("/auth/2fa/reauthenticate", {"code": code_of(person.secret)})
    assert person.delete(TOTP).status_code == 204
    assert not Authenticator.objects.exists()
    for caller in (person, other):
        assert_problem(caller.get("/me"), 401)
    assert person.login().status_code == 200


def test_a_manager_takes_it_away_from_who_has_lost_it(person):
    manager = sign_in(Role.CHAIN_MANAGER, chain=person.staff.chain)
    path = f"/staff-members/{person.staff.pk}/second-factor"
    desk = sign_in(Role.FRONT_DESK, chain=person.staff.chain)
    assert_problem(desk.delete(path, version="*"), 403)
    assert_problem(manager.delete(path), 428)
    assert manager.delete(path, version="*").status_code == 204
    assert_problem(person.get("/me"), 401)
    assert person.login().status_code == 200


def test_the_history_says_who_set_it_up_and_not_with_what(person):
    rows = Change.objects.filter(record="authenticator", operation="C")
    assert {row.after["type"] for row in rows} == {"totp", "recovery_codes"}
    assert {row.staff_id for row in rows} == {person.staff.pk}
    assert {row.chain_id for row in rows} == {person.staff.chain_id}
    assert not any("data" in row.after for row in rows)


class TestTokensForPeople:
    """A token by password is no way around the code."""

    def ask(self, person, **more):
        body = {"user_name": person.staff.user.username, "password": PASSWORD, **more}
        return anonymous().post("/tokens", body)

    def test_the_password_alone_is_not_enough(self, person):
        assert_problem(self.ask(person), 401, "second_factor_needed")
        assert not AccessToken.objects.exists()

    def test_with_a_code_it_is_given(self, person):
        answer = self.ask(person, code=code_of(person.secret))
        assert answer.status_code == 201
        assert AccessToken.objects.get().second_factor

    def test_a_code_given_there_is_spent_everywhere(self, person):
        code = code_of(person.secret)
        assert self.ask(person, code=code).status_code == 201
        assert_problem(self.ask(person, code=code), 401, "incorrect_code")
        assert_problem(again(person).give_code(code), 400, "incorrect_code")
        assert AccessToken.objects.count() == 1

    def test_a_right_code_helps_no_wrong_password(self, person):
        answer = self.ask(person, code=code_of(person.secret), password="something-else-1")
        assert_problem(answer, 401, "sign_in_refused")
        again(person, code=code_of(person.secret))


class TestRolesThatAskForIt:
    """A chain may let roles count only for who gave a second factor."""

    @pytest.fixture
    def demanding(self, clock):
        manager = sign_in(Role.CHAIN_MANAGER)
        answer = manager.patch("/chain", {"second_factor_roles": ["front_desk"]}, version="*")
        assert answer.status_code == 200, answer.json()
        return manager.staff.chain

    @pytest.fixture
    def desk(self, demanding):
        staff = make_staff(demanding, user=True)
        make_membership(staff, Role.FRONT_DESK)
        return staff

    def test_without_one_it_is_refused_and_says_how_to_mend(self, desk):
        for caller in (signed_in(desk), self.bearer(desk)):
            problem = assert_problem(caller.get("/clinics"), 403, "second_factor_missing")
            assert "/account/authenticators/totp" in problem["detail"]
            me = caller.get("/me").json()
            assert me["roles"] == []
            assert [row["role"] for row in me["withheld"]] == ["front_desk"]

    def test_nothing_is_written_either(self, desk):
        body = {"home_clinic": 1, "given_name": "Invented", "family_name": "Example"}
        assert_problem(signed_in(desk).post("/patients", body), 403, "second_factor_missing")

    def test_setting_it_up_mends_it_at_once(self, desk, clock):
        person = signed_in(desk)
        assert person.set_up().status_code == 200
        assert person.get("/clinics").status_code == 200

    def test_a_session_from_before_counts_after_a_code(self, desk, clock):
        early, person = signed_in(desk), signed_in(desk)
        person.set_up()
        assert_problem(early.get("/clinics"), 403, "second_factor_missing")
        clock.shift(timedelta(minutes=1))
        code = {"code": code_of(person.secret)}
        assert early.post("/auth/2fa/reauthenticate", code).status_code == 200
        assert early.get("/clinics").status_code == 200

    def test_another_role_is_not_withheld(self, desk):
        make_membership(desk, Role.LASER_OPERATOR)
        person = signed_in(desk)
        assert person.get("/clinics").status_code == 200
        problem = person.post("/patients", {})
        assert_problem(problem, 403, "second_factor_missing")

    def test_what_no_role_allows_is_refused_as_that(self, desk):
        assert_problem(signed_in(desk).get("/memberships"), 403, "not_allowed")

    def test_it_counts_from_the_next_request_on(self, clock):
        manager = sign_in(Role.CHAIN_MANAGER)
        staff = make_staff(manager.staff.chain, user=True)
        make_membership(staff, Role.FRONT_DESK)
        person = signed_in(staff)
        assert person.get("/clinics").status_code == 200
        manager.patch("/chain", {"second_factor_roles": ["front_desk"]}, version="*")
        assert_problem(person.get("/clinics"), 403, "second_factor_missing")

    def test_an_unknown_role_is_refused(self, demanding):
        manager = sign_in(Role.CHAIN_MANAGER, chain=demanding)
        answer = manager.patch("/chain", {"second_factor_roles": ["owner"]}, version="*")
        assert_problem(answer, 400)

    def bearer(self, staff):
        body = {"user_name": staff.user.username, "password": PASSWORD}
        caller = anonymous()
        token = caller.post("/tokens", body).json()["token"]
        caller.client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
        return caller


def test_no_secret_is_readable_in_the_rows(person):
    row = Authenticator.objects.get(type="totp")
    assert person.secret not in str(row.data)
    assert all(person.session_token not in s.session_key for s in SignInSession.objects.all())
