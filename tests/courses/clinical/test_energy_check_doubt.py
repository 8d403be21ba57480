"""After a failed energy check: the sessions since the last good one, and the visits ahead."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Session
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.courses import NOW, make_appointment
from tests.support.devices import make_lock_out
from tests.support.upkeep import make_check

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def session(ward, operator):
    answer = operator.post("/sessions", ward.session_body(), key="s1")
    assert answer.status_code == 201, answer.json()
    return Session.objects.get()


def check(session, *, at, **fields):
    fired = session.passes.first()
    return make_check(session.laser, fired.handpiece, line=fired.line, checked_at=at, **fields)


def affected(caller, of):
    answer = caller.get(f"/energy-checks/{of.pk}/affected")
    assert answer.status_code == 200, answer.json()
    return answer.json()


def test_sessions_since_the_last_good_check_are_in_doubt(session, operator):
    good = check(session, at=session.started_at - DAY)
    bad = check(session, at=session.started_at + DAY, deviation=-0.3)
    shown = affected(operator, bad)
    assert [row["session"] for row in shown["sessions"]] == [session.pk]
    assert shown["last_good"] == good.pk
    assert shown["basis"]
    assert shown["caution"]


def test_a_good_check_after_the_session_clears_it(session, operator):
    check(session, at=session.started_at + DAY)
    bad = check(session, at=session.started_at + 2 * DAY, deviation=0.21)
    assert affected(operator, bad)["sessions"] == []


def test_without_a_good_check_every_session_is_in_doubt(session, operator):
    bad = check(session, at=session.started_at + DAY, deviation=0.21)
    shown = affected(operator, bad)
    assert (shown["last_good"], shown["since"]) == (None, None)
    assert len(shown["sessions"]) == 1


def test_another_line_and_one_entered_in_error_are_not(session, operator):
    fired = session.passes.first()
    other = session.laser.laser_model.lines.exclude(pk=fired.line_id).first()
    elsewhere = make_check(
        session.laser, fired.handpiece, line=other, checked_at=NOW + DAY, deviation=0.3
    )
    assert affected(operator, elsewhere)["sessions"] == []
    Session.objects.update(status="entered-in-error")
    bad = check(session, at=session.started_at + DAY, deviation=0.21)
    assert affected(operator, bad)["sessions"] == []


def test_a_check_that_passed_casts_no_doubt(session, operator):
    assert affected(operator, check(session, at=NOW))["sessions"] == []


def test_appointments_ahead_on_the_wavelength_are_named(ward, session, operator):
    nm = session.passes.first().line.wavelength_nm
    hit = make_appointment(ward, NOW + 3 * DAY, wavelengths_nm=[nm])
    make_appointment(ward, NOW + 4 * DAY, wavelengths_nm=[777])
    bad = check(session, at=NOW, deviation=-0.3)
    shown = affected(operator, bad)
    assert [row["appointment"] for row in shown["visits"]] == [hit.pk]
    assert queries_of(operator, f"/energy-checks/{bad.pk}/affected") <= 10


def test_not_for_the_front_desk_nor_another_chain(session, desk):
    bad = check(session, at=NOW, deviation=-0.3)
    assert_problem(desk.get(f"/energy-checks/{bad.pk}/affected"), 403)
    stranger = sign_in(Role.LASER_SAFETY_OFFICER)
    assert_problem(stranger.get(f"/energy-checks/{bad.pk}/affected"), 404)


def test_a_session_on_a_line_that_is_locked_out_is_refused_the_others_go_on(ward, operator):
    out, free = ward.laser.laser_model.lines.order_by("-wavelength_nm")
    make_lock_out(ward.laser, line=out, reason="energy_check_failed")

    def body(line):
        one = ward.pass_body(NOW - timedelta(minutes=25), line=line.pk)
        return ward.session_body(passes=[one])

    problem = assert_problem(operator.post("/sessions", body(out), key="a"), 422, "session_refused")
    assert [check["id"] for check in problem["checks"]] == ["line_not_locked_out"]
    assert problem["checks"][0]["pointer"] == "/passes/0/line"
    assert not Session.objects.exists()
    assert operator.post("/sessions", body(free), key="b").status_code == 201
