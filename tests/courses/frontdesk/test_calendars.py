"""Calendar feeds: what they say, to whom, and until when."""

from datetime import UTC, timedelta

import pytest
from icalendar import Calendar

from clinics.models import Membership, StaffMember
from clinics.vocabulary import AbsenceReason, Role
from courses.models import CalendarFeed
from courses.selectors.visits import Visit
from courses.services.booking import (
    Hold,
    appointment_book,
    appointment_cancel,
    appointment_move,
)
from courses.slots import multi_pass
from devices.services.lock_outs import lock_out_place
from devices.vocabulary import LockOutReason
from tests.support.api import anonymous, assert_problem, pointers, queries_of, sign_in
from tests.support.booking import NOW, TOMORROW_TEN, make_running_course, make_stage
from tests.support.factories import make_actor

pytestmark = pytest.mark.django_db


def make_feed(caller, **whose):
    answer = caller.post("/calendar-feeds", whose)
    assert answer.status_code == 201, answer.json()
    return answer.json()


def read(address, **headers):
    return anonymous().client.get(address, headers=headers)


def events(address):
    answer = read(address)
    assert answer.status_code == 200, answer.content
    return list(Calendar.from_ical(answer.content).walk("VEVENT"))


def book(stage, *, number=0, course=None, **changes):
    return appointment_book(
        **{
            "course_id": (course or make_running_course(stage.clinic)).pk,
            "visit": stage.visit(TOMORROW_TEN + timedelta(minutes=30 * number)),
            "actor": stage.desk,
            "now": NOW,
            **changes,
        }
    )


@pytest.fixture
def address(stage, desk):
    return make_feed(desk, room=stage.room.pk)["address"]


def test_the_address_is_told_once_and_kept_as_a_digest_only(stage, desk):
    made = make_feed(desk, room=stage.room.pk)
    token = made["address"].rsplit("/", 1)[1].removesuffix(".ics")
    assert len(token) == 43
    assert made["address"].startswith("http://testserver/calendars/")
    feed = CalendarFeed.objects.get()
    assert token not in {feed.token_digest, str(feed.__dict__)}
    shown = desk.get(f"/calendar-feeds/{made['id']}").json()
    assert "address" not in shown
    assert (shown["kind"], shown["room"], shown["laser"]) == ("room", stage.room.pk, None)
    assert make_feed(desk, room=stage.room.pk)["address"] != made["address"]


def test_a_visit_is_an_event_in_utc_without_a_word_about_a_person(stage, desk, address):
    course = make_running_course(stage.clinic)
    appointment = book(stage, course=course)
    answer = read(address)
    assert answer.headers["Content-Type"] == "text/calendar; charset=utf-8"
    text = answer.content.decode()
    assert text.startswith("BEGIN:VCALENDAR\r\n")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
    assert "DTSTART:20260303T100000Z" in text
    assert "DTEND:20260303T103000Z" in text
    people = [
        course.patient.given_name,
        course.patient.family_name,
        stage.operator.name,
        stage.desk.staff_name,
    ]
    assert [name for name in people if name in text] == []
    [event] = events(address)
    assert event["SUMMARY"] == "Session, 1064 nm"
    assert event["LOCATION"] == f"{stage.room.name}, {stage.clinic.name}"
    assert (event["STATUS"], event["SEQUENCE"]) == ("CONFIRMED", 0)
    assert (event["CLASS"], event["TRANSP"]) == ("PRIVATE", "OPAQUE")
    assert event["DTSTAMP"].dt == appointment.updated_at.astimezone(UTC).replace(microsecond=0)


def test_the_calendar_has_what_rfc_7986_adds(stage, desk, address):
    book(stage)
    calendar = Calendar.from_ical(read(address).content)
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    assert calendar["NAME"] == stage.room.name
    assert calendar["UID"]
    assert calendar["REFRESH-INTERVAL"].dt == timedelta(minutes=15)
    assert calendar["LAST-MODIFIED"]
    assert "METHOD" not in calendar


def test_a_move_keeps_the_uid_and_counts_up_and_a_cancelled_visit_says_so(stage, address):
    appointment = book(stage)
    [before] = events(address)
    appointment_move(
        appointment_id=appointment.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(hours=2)),
        actor=stage.desk,
        now=NOW,
    )
    [moved] = events(address)
    assert moved["UID"] == before["UID"]
    assert moved["DTSTART"].dt == TOMORROW_TEN + timedelta(hours=2)
    assert moved["SEQUENCE"] == before["SEQUENCE"] + 1
    appointment_cancel(appointment_id=appointment.pk, reason="ill", actor=stage.desk, now=NOW)
    [cancelled] = events(address)
    assert cancelled["UID"] == before["UID"]
    assert cancelled["STATUS"] == "CANCELLED"
    assert cancelled["SEQUENCE"] == moved["SEQUENCE"] + 1
    assert "ill" not in str(cancelled["SUMMARY"])


def test_a_hold_is_tentative_until_it_expires(stage, address, time_machine):
    book(stage, hold=Hold(minutes=5))
    assert [event["STATUS"] for event in events(address)] == ["TENTATIVE"]
    time_machine.move_to(NOW + timedelta(minutes=5), tick=False)
    assert events(address) == []


def test_a_laser_is_busy_for_its_passes_and_the_room_throughout(stage, desk):
    timeline = multi_pass([10, 10], wait_minutes=20, prepare_minutes=10, finish_minutes=5)
    visit = Visit(
        starts_at=TOMORROW_TEN,
        timeline=timeline,
        place=stage.place(),
        wavelengths_nm=(532, 1064),
    )
    book(stage, visit=visit)
    laser = events(make_feed(desk, laser=stage.laser.pk)["address"])
    minutes = [
        (event["DTSTART"].dt - TOMORROW_TEN, event["DTEND"].dt - TOMORROW_TEN) for event in laser
    ]
    assert minutes == [
        (timedelta(minutes=10), timedelta(minutes=20)),
        (timedelta(minutes=40), timedelta(minutes=50)),
    ]
    assert len({event["UID"] for event in laser}) == 2
    assert {str(event["SUMMARY"]) for event in laser} == {"Session, 532 and 1064 nm"}
    [room] = events(make_feed(desk, room=stage.room.pk)["address"])
    assert room["DTEND"].dt - room["DTSTART"].dt == timedelta(minutes=55)
    assert len(events(make_feed(desk, operator=stage.operator.pk)["address"])) == 2


def test_lock_outs_and_absences_are_shown_without_their_notes(stage, desk):
    officer = make_actor(Role.LASER_SAFETY_OFFICER, clinic=stage.clinic)
    lock_out_place(
        laser_id=stage.laser.pk,
        reason=LockOutReason.FAULT,
        note="a secret note",
        start=NOW + timedelta(days=1),
        end=None,
        actor=officer,
        now=NOW,
    )
    [locked] = events(make_feed(desk, laser=stage.laser.pk)["address"])
    assert locked["SUMMARY"] == "Locked out"
    leave = {
        "resource": stage.operator.resource_id,
        "start": (NOW + timedelta(days=2)).isoformat(),
        "end": (NOW + timedelta(days=3)).isoformat(),
        "reason": AbsenceReason.LEAVE.value,
        "note": "a secret note",
    }
    manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
    assert manager.post("/absences", leave).status_code == 201
    address = make_feed(desk, operator=stage.operator.pk)["address"]
    assert b"secret" not in read(address).content
    assert [str(event["SUMMARY"]) for event in events(address)] == ["Away"]


def test_an_unchanged_diary_costs_a_304(stage, address, time_machine):
    book(stage)
    first = read(address)
    again = read(address, **{"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["ETag"] == first.headers["ETag"]
    time_machine.move_to(NOW + timedelta(hours=3), tick=False)
    assert read(address).content == first.content
    book(stage, number=2)
    changed = read(address, **{"If-None-Match": first.headers["ETag"]})
    assert changed.status_code == 200


def test_an_unchanged_diary_costs_a_304_to_who_takes_it_compressed(stage, address):
    for number in range(1, 4):
        book(stage, number=number)
    first = read(address, **{"Accept-Encoding": "gzip"})
    assert first.headers["Content-Encoding"] == "gzip"
    asked = {"Accept-Encoding": "gzip", "If-None-Match": first.headers["ETag"]}
    again = read(address, **asked)
    assert again.status_code == 304
    for name in ("ETag", "Cache-Control"):
        assert again.headers[name] == first.headers[name]
    assert "Accept-Encoding" in again.headers["Vary"]


def test_any_accept_header_gets_the_calendar(address):
    for accept in ("text/calendar", "*/*", "text/html", "application/json"):
        assert read(address, Accept=accept).status_code == 200


def test_a_revoked_address_is_closed_at_once(stage, desk):
    made = make_feed(desk, room=stage.room.pk)
    path = f"/calendar-feeds/{made['id']}"
    assert read(made["address"]).headers["Cache-Control"] == "private, no-cache"
    assert_problem(desk.delete(path), 428)
    assert desk.delete(path, version=made["version"]).status_code == 204
    assert_problem(read(made["address"]), 404, "calendar_feed_unknown")
    assert desk.get(path).json()["revoked_at"]
    assert desk.get("/calendar-feeds", revoked="false").json()["items"] == []
    assert len(desk.get("/calendar-feeds", revoked="true").json()["items"]) == 1


def test_an_address_dies_with_its_maker_s_employment(stage, desk, address):
    StaffMember.objects.filter(pk=desk.staff.pk).update(active=False)
    assert_problem(read(address), 404)


def test_an_address_dies_with_the_role_that_its_maker_made_it_by(stage, desk, address):
    assert read(address).status_code == 200
    Membership.objects.filter(staff_member=desk.staff).update(clinic=make_stage().clinic)
    assert_problem(read(address), 404, "calendar_feed_unknown")


def test_an_address_dies_with_the_sign_in_of_its_maker(desk, address):
    StaffMember.objects.filter(pk=desk.staff.pk).update(user=None)
    assert_problem(read(address), 404, "calendar_feed_unknown")


@pytest.mark.parametrize("token", ["x" * 43, "x" * 42, "x" * 44, "", "'; select 1"])
def test_a_guess_finds_nothing(token):
    assert read(f"/calendars/{token}.ics").status_code == 404


def test_who_may_have_whose_diary(stage, desk):
    operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
    own = make_feed(operator, operator=operator.staff.pk)
    assert own["operator"] == operator.staff.pk
    assert_problem(operator.post("/calendar-feeds", {"room": stage.room.pk}), 403)
    assert_problem(operator.post("/calendar-feeds", {"operator": desk.staff.pk}), 403)
    other_clinic = sign_in(Role.FRONT_DESK, clinic=make_stage().clinic)
    assert_problem(other_clinic.post("/calendar-feeds", {"room": stage.room.pk}), 400, "invalid")
    assert desk.delete(f"/calendar-feeds/{own['id']}", version=1).status_code == 204
    integrator = sign_in(Role.INTEGRATOR, chain=stage.chain)
    assert_problem(integrator.get("/calendar-feeds"), 403)


def test_an_operator_revokes_only_their_own(stage, desk):
    made = make_feed(desk, room=stage.room.pk)
    operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
    assert_problem(operator.delete(f"/calendar-feeds/{made['id']}", version=1), 403)
    assert read(made["address"]).status_code == 200


def test_another_chain_sees_nothing(stage, desk):
    made = make_feed(desk, room=stage.room.pk)
    stranger = sign_in(Role.FRONT_DESK)
    assert stranger.get("/calendar-feeds").json()["items"] == []
    assert_problem(stranger.get(f"/calendar-feeds/{made['id']}"), 404)
    assert_problem(stranger.delete(f"/calendar-feeds/{made['id']}", version=1), 404)


@pytest.mark.parametrize("whose", [{}, {"room": 10**9}, {"room": None}])
def test_a_feed_is_of_one_thing_that_is_there(desk, whose):
    assert pointers(assert_problem(desk.post("/calendar-feeds", whose), 400, "invalid"))


def test_one_diary_at_a_time(stage, desk):
    both = {"room": stage.room.pk, "laser": stage.laser.pk}
    assert_problem(desk.post("/calendar-feeds", both), 400, "invalid")


def test_a_feed_costs_the_same_for_two_visits_and_for_ten(
    stage, desk, address, django_assert_num_queries
):
    for count in (2, 8):
        for _ in range(count):
            number = sum(1 for _ in events(address))
            book(stage, number=number)
        # The chain, its name in a transaction (three in a test), the maker, the diary (three).
        with django_assert_num_queries(8):
            assert read(address).status_code == 200


def test_lists_cost_the_same_for_two_and_for_eight(stage, desk):

    costs = []
    for count in (2, 6):
        for _ in range(count):
            make_feed(desk, laser=stage.laser.pk)
        costs.append(queries_of(desk, "/calendar-feeds"))
    assert costs[0] == costs[1]


def test_what_is_far_off_is_left_out(stage, address):
    book(stage, visit=stage.visit(TOMORROW_TEN + timedelta(days=185)))
    assert events(address) == []
