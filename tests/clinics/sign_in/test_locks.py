"""After failures nobody is heard for a time: by name and address, counted in the database."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from clinics.models import AccessToken, SignInFailure, SignInSession
from clinics.vocabulary import Role
from tests.support.api import anonymous, assert_problem, sign_in
from tests.support.factories import PASSWORD, make_clinic, make_membership, make_staff
from tests.support.sign_in import Person, code_of, signed_in

pytestmark = pytest.mark.django_db

ATTEMPTS = 5
WRONG = "something-else-1"


@pytest.fixture(autouse=True)
def clock():
    """Time stands still, and goes on when it is told to."""
    with time_machine.travel(timezone.now(), tick=False) as traveller:
        yield traveller


@pytest.fixture
def staff():
    staff = make_staff(user=True)
    make_membership(staff, Role.FRONT_DESK)
    return staff


def by_session(name, password, address="192.0.2.1"):
    caller = anonymous()
    body = {"username": name, "password": password}
    return caller.client.post("/api/v1/auth/login", body, format="json", REMOTE_ADDR=address)


def by_token(name, password, address="192.0.2.1"):
    caller = anonymous()
    body = {"user_name": name, "password": password}
    return caller.client.post("/api/v1/tokens", body, format="json", REMOTE_ADDR=address)


WAYS = pytest.mark.parametrize("way", [by_session, by_token])


def told(answer):
    """What an answer says, but for the id of the request."""
    return {name: said for name, said in answer.json().items() if name != "request_id"}


def fail(way, name, times=ATTEMPTS, **more):
    for _ in range(times):
        assert way(name, WRONG, **more).status_code in {400, 401}


@WAYS
def test_after_so_many_failures_the_right_password_is_not_heard(way, staff):
    name = staff.user.username
    fail(way, name)
    answer = way(name, PASSWORD)
    problem = assert_problem(answer, 429, "sign_in_locked")
    assert answer.headers["Retry-After"] == str(problem["retry_after_s"]) == "900"
    assert not SignInSession.objects.exists()
    assert not AccessToken.objects.exists()


@WAYS
def test_one_failure_fewer_does_not_lock(way, staff):
    fail(way, staff.user.username, ATTEMPTS - 1)
    assert way(staff.user.username, PASSWORD).status_code in {200, 201}


def test_both_ways_count_together(staff):
    name = staff.user.username
    fail(by_session, name, 3)
    fail(by_token, name, 2)
    assert_problem(by_session(name, PASSWORD), 429, "sign_in_locked")
    assert_problem(by_token(name, PASSWORD), 429, "sign_in_locked")


@WAYS
def test_an_unknown_name_is_answered_alike(way, staff):
    known, unknown = (
        [told(way(name, WRONG)) for _ in range(ATTEMPTS + 1)]
        for name in (staff.user.username, "nobody")
    )
    assert known == unknown
    assert known[-1]["code"] == "sign_in_locked"


@WAYS
def test_spaces_around_a_name_are_not_another_name(way, staff):
    fail(way, staff.user.username)
    assert_problem(way(f"  {staff.user.username} ", PASSWORD), 429, "sign_in_locked")


@WAYS
def test_a_lock_ends(way, staff, clock):
    fail(way, staff.user.username)
    clock.shift(timedelta(minutes=14, seconds=59))
    assert_problem(way(staff.user.username, PASSWORD), 429)
    clock.shift(timedelta(seconds=1))
    assert way(staff.user.username, PASSWORD).status_code in {200, 201}


def test_attempts_while_locked_do_not_make_it_longer(staff, clock):
    fail(by_session, staff.user.username)
    for _ in range(10):
        clock.shift(timedelta(minutes=1))
        assert_problem(by_session(staff.user.username, WRONG), 429)
    clock.shift(timedelta(minutes=5))
    assert by_session(staff.user.username, PASSWORD).status_code == 200


def test_after_a_lock_there_are_as_many_attempts_again(staff, clock):
    fail(by_session, staff.user.username)
    clock.shift(timedelta(minutes=15))
    fail(by_session, staff.user.username)
    assert_problem(by_session(staff.user.username, PASSWORD), 429)


def test_failures_long_ago_do_not_count(staff, clock):
    fail(by_session, staff.user.username, ATTEMPTS - 1)
    clock.shift(timedelta(minutes=15))
    fail(by_session, staff.user.username, ATTEMPTS - 1)
    assert by_session(staff.user.username, PASSWORD).status_code == 200


@WAYS
def test_success_begins_to_count_anew(way, staff):
    fail(way, staff.user.username, ATTEMPTS - 1)
    assert way(staff.user.username, PASSWORD).status_code in {200, 201}
    assert not SignInFailure.objects.exists()
    fail(way, staff.user.username, ATTEMPTS - 1)
    assert way(staff.user.username, PASSWORD).status_code in {200, 201}


def test_somebody_elsewhere_does_not_lock_a_person_out(staff):
    fail(by_session, staff.user.username, address="192.0.2.1")
    assert by_session(staff.user.username, PASSWORD, address="192.0.2.2").status_code == 200


def test_another_name_from_there_is_heard(staff):
    colleague = make_staff(staff.chain, user=True)
    fail(by_session, staff.user.username)
    assert by_session(colleague.user.username, PASSWORD).status_code == 200


def test_who_is_signed_in_stays_so(staff):
    person = signed_in(staff)
    fail(by_session, staff.user.username)
    assert person.get("/me").status_code == 200


def test_malformed_requests_do_not_count(staff):
    for _ in range(2 * ATTEMPTS):
        body = {"username": staff.user.username}
        assert anonymous().post("/auth/login", body).status_code == 400
    assert not SignInFailure.objects.exists()


def test_the_rows_name_nobody(staff):
    fail(by_session, staff.user.username, 1)
    told = str(list(SignInFailure.objects.values()))
    assert staff.user.username not in told
    assert "192.0.2.1" not in told


class TestCodes:
    """Codes are counted for the name, wherever they come from: it takes the password first."""

    @pytest.fixture
    def person(self, staff, clock):
        person = signed_in(staff)
        assert person.set_up().status_code == 200
        clock.shift(timedelta(minutes=1))
        return person

    def pending(self, person):
        other = Person(person.staff)
        assert_problem(other.login(), 401, "second_factor_needed")
        return other

    def test_wrong_codes_lock(self, person):
        other = self.pending(person)
        for _ in range(ATTEMPTS):
            assert_problem(other.give_code("000000"), 400, "incorrect_code")
        assert_problem(other.give_code(code_of(person.secret)), 429, "sign_in_locked")
        assert_problem(
            self.pending(person).give_code(code_of(person.secret)), 429, "sign_in_locked"
        )

    def test_giving_the_password_again_between_does_not_help(self, person):
        for _ in range(ATTEMPTS):
            assert self.pending(person).give_code("000000").status_code == 400
        assert_problem(
            self.pending(person).give_code(code_of(person.secret)), 429, "sign_in_locked"
        )

    def test_they_count_together_with_those_for_tokens(self, person):
        name = person.staff.user.username
        body = {"user_name": name, "password": PASSWORD, "code": "000000"}
        for _ in range(ATTEMPTS):
            assert_problem(anonymous().post("/tokens", body), 401, "incorrect_code")
        assert_problem(anonymous().post("/tokens", body), 429, "sign_in_locked")
        code = code_of(person.secret)
        assert_problem(self.pending(person).give_code(code), 429, "sign_in_locked")

    def test_codes_for_recovery_are_no_way_around(self, person):
        person.prove()
        path = "/account/authenticators/recovery-codes"
        codes = person.get(path).json()["data"]["unused_codes"]
        other = self.pending(person)
        for _ in range(ATTEMPTS):
            other.give_code("00000000")
        assert_problem(other.give_code(codes[0]), 429, "sign_in_locked")

    def test_a_lock_ends(self, person, clock):
        other = self.pending(person)
        for _ in range(ATTEMPTS):
            other.give_code("000000")
        clock.shift(timedelta(minutes=15))
        other = self.pending(person)
        assert other.give_code(code_of(person.secret)).status_code == 200
        assert not SignInFailure.objects.exists()

    def test_right_passwords_without_a_code_do_not_lock(self, person):
        for _ in range(2 * ATTEMPTS):
            self.pending(person)

    def test_proving_anew_counts_too(self, person):
        for _ in range(ATTEMPTS):
            body = {"code": "000000"}
            assert person.post("/auth/2fa/reauthenticate", body).status_code == 400
        body = {"code": code_of(person.secret)}
        assert_problem(person.post("/auth/2fa/reauthenticate", body), 429, "sign_in_locked")


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/auth/reauthenticate", {"password": WRONG}),
        ("/me/password", {"current": WRONG, "new": "copper-meadow-77"}),
    ],
)
def test_guessing_the_password_inside_a_session_locks_too(staff, path, body):
    person = signed_in(staff)
    for _ in range(ATTEMPTS):
        assert person.post(path, body).status_code in {400, 422}
    assert_problem(person.post(path, body), 429, "sign_in_locked")


def test_a_weak_new_password_is_no_failure(staff):
    person = signed_in(staff)
    for _ in range(2 * ATTEMPTS):
        body = {"current": PASSWORD, "new": "short"}
        assert_problem(person.post("/me/password", body), 400)


class TestManager:
    """A manager of the whole chain sees and lifts the locks of their own staff."""

    def test_lifts_a_lock(self, staff):
        manager = sign_in(Role.CHAIN_MANAGER, chain=staff.chain)
        path = f"/staff-members/{staff.pk}/sign-in-lock"
        assert manager.get(path).json() == {"locked_until": None}
        fail(by_session, staff.user.username)
        assert manager.get(path).json()["locked_until"] is not None
        assert manager.delete(path).status_code == 204
        assert manager.get(path).json() == {"locked_until": None}
        assert by_session(staff.user.username, PASSWORD).status_code == 200

    @pytest.mark.parametrize("who", ["front desk", "another chain", "of one clinic"])
    def test_others_may_not(self, staff, who):
        fail(by_session, staff.user.username)
        path = f"/staff-members/{staff.pk}/sign-in-lock"
        if who == "another chain":
            assert_problem(sign_in(Role.CHAIN_MANAGER).delete(path), 404)
        elif who == "front desk":
            assert_problem(sign_in(Role.FRONT_DESK, chain=staff.chain).delete(path), 403)
        else:
            caller = sign_in(Role.CHAIN_MANAGER, clinic=make_clinic(staff.chain))
            assert_problem(caller.delete(path), 403)
        assert_problem(by_session(staff.user.username, PASSWORD), 429)
