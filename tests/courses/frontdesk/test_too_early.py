"""Appointments that have become too early: found, shown with reasons, offered another slot."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Appointment, Course
from courses.selectors.sequence import too_early
from courses.selectors.slots import SearchOrder
from courses.services.booking import (
    Hold,
    SeriesOrder,
    appointment_book,
    appointment_cancel,
    appointment_move,
    series_book,
)
from courses.vocabulary import SkinResponse
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.booking import NOW, TOMORROW_TEN, make_running_course
from tests.support.courses import observe
from tests.support.factories import span
from tests.support.frontdesk import days_between, move, treat, visit_body, ward_of

pytestmark = pytest.mark.django_db

TREATED_AT = NOW - timedelta(days=10)


@pytest.fixture
def series(stage):
    search = SearchOrder(span=span(NOW, minutes=7 * 24 * 60))
    booked = series_book(
        course_id=stage.course.pk,
        order=SeriesOrder(sessions=3, search=search),
        actor=stage.desk,
        now=NOW,
    )
    return list(booked.appointments.order_by("position"))


def book(stage, *, days, course=None, **changes):
    return appointment_book(
        course_id=(course or stage.course).pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(days=days)),
        actor=stage.desk,
        now=NOW,
        **changes,
    )


def found(now=NOW):
    return set(too_early(Appointment.objects.all(), now=now).values_list("pk", flat=True))


def listed(caller, **query):
    return caller.get("/appointments/too-early", **query).json()["items"]


def put(stage, appointment, *, days):
    return appointment_move(
        appointment_id=appointment.pk,
        visit=stage.visit(appointment.starts_at + timedelta(days=days)),
        actor=stage.desk,
        now=NOW,
    )


def test_nothing_is_too_early_as_booked(stage, series):
    assert found() == set()


def test_moving_an_earlier_session_shows_the_next_with_its_reason(stage, series, desk):
    first, second, _ = series
    put(stage, first, days=20)
    assert found() == {second.pk}
    [row] = listed(desk)
    assert row["id"] == second.pk
    assert [reason["code"] for reason in row["reasons"]] == ["too_soon_after"]
    assert row["reasons"][0]["data"]["appointment"] == first.pk
    assert days_between(first.starts_at.isoformat(), row["earliest_on"]) == 20 + 42
    assert days_between(first.starts_at.isoformat(), row["advised_on"]) == 20 + 57


def test_a_session_moved_past_the_next_leaves_that_one_too_early(stage, series):
    first, second, third = series
    put(stage, first, days=80)
    assert found() == {second.pk, third.pk}
    appointment_cancel(appointment_id=first.pk, reason="", actor=stage.desk, now=NOW)
    assert found() == set()


def test_an_offer_is_taken_and_the_rest_follows(stage, series, desk):
    first, second, third = series
    put(stage, first, days=20)
    offers = desk.post(f"/appointments/{second.pk}/offers").json()
    assert offers["slots"]
    best = offers["slots"][0]
    moved_first = Appointment.objects.get(pk=first.pk)
    assert days_between(moved_first.starts_at.isoformat(), best["start"]) == 57
    assert offers["minutes"] == sum(segment["minutes"] for segment in second.timeline)
    for slot in offers["slots"]:
        assert slot["start"] >= moved_first.next_earliest_at.isoformat()
    body = {
        **{name: best[name] for name in visit_body(stage.visit()) if name != "segments"},
        "segments": offers["segments"],
    }
    path = f"/appointments/{second.pk}"
    answer = desk.client.post(
        f"/api/v1{path}/move", body, format="json", headers={"If-Match": desk.etag(path)}
    )
    assert answer.status_code == 200, answer.json()
    assert [row["id"] for row in listed(desk)] == [third.pk]


def test_a_move_back_into_the_healing_time_is_refused(stage, series, desk):
    first, second, _ = series
    close = stage.visit(first.starts_at + timedelta(days=41))
    assert_problem(move(desk, second.pk, close), 409, "course_already_booked")


def test_a_longer_window_makes_an_appointment_too_early(stage, desk):
    window = treat(stage, TREATED_AT)
    booked = book(stage, days=(window.earliest_on - TOMORROW_TEN.date()).days)
    assert found() == set()
    clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
    for kind in ("blister", "erosion"):
        observe(clinician, ward_of(stage), kind, on=TREATED_AT.date() + timedelta(days=3))
    [row] = listed(desk)
    assert row["id"] == booked.pk
    assert {reason["code"] for reason in row["reasons"]} <= {"window_open", "window_held"}
    assert row["overridden"] is False


def test_a_held_window_shows_the_appointment_and_offers_nothing(stage, desk):
    window = treat(stage, TREATED_AT)
    booked = book(stage, days=(window.earliest_on - TOMORROW_TEN.date()).days)
    clinician = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
    observe(clinician, ward_of(stage), "infection_sign", on=NOW.date())
    [row] = listed(desk)
    assert [reason["code"] for reason in row["reasons"]] == ["window_held"]
    offers = desk.post(f"/appointments/{booked.pk}/offers").json()
    assert offers["slots"] == []
    assert [bound["code"] for bound in offers["bounds"]] == ["window_held"]


def test_a_patient_who_may_never_be_treated_is_shown(stage, desk):
    booked = book(stage, days=1)
    stage.course.patient.gold_therapy_ever = True
    stage.course.patient.save()
    [row] = listed(desk)
    assert row["id"] == booked.pk
    assert [reason["code"] for reason in row["reasons"]] == ["window_never_closes"]
    offers = desk.post(f"/appointments/{booked.pk}/offers").json()
    assert [bound["code"] for bound in offers["bounds"]] == ["window_never_closes"]
    # Which medicine it is about is no business of the desk.
    assert "gold" not in str(row)
    assert "gold" not in str(offers)


def test_a_window_of_the_same_skin_in_another_course_counts(stage):
    other = make_running_course(stage.clinic)
    patient = stage.course.patient
    other.tattoos.update(patient=patient)
    Course.objects.filter(pk=other.pk).update(patient=patient)
    booked = book(stage, days=5)
    treat(stage, TREATED_AT, course=other)
    assert found() == set()
    stage.course.tattoos.add(*other.tattoos.all())
    assert found() == {booked.pk}


def test_what_is_past_or_over_or_only_was_held_is_not_shown(stage):
    held = book(stage, days=1, hold=Hold(minutes=5))
    other = make_running_course(stage.clinic)
    cancelled = book(stage, days=2, course=other)
    appointment_cancel(appointment_id=cancelled.pk, reason="", actor=stage.desk, now=NOW)
    for course in (stage.course, other):
        treat(stage, TREATED_AT, course=course, responses=[SkinResponse.WHITENING])
    assert found() == {held.pk}
    assert found(now=NOW + timedelta(minutes=5)) == set()
    assert found(now=held.starts_at) == set()


def test_the_list_takes_the_filters_of_appointments(stage, series, desk):
    put(stage, series[0], days=80)
    assert len(listed(desk)) == 2
    assert len(listed(desk, clinic=stage.clinic.pk)) == 2
    assert listed(desk, clinic=stage.clinic.pk + 1) == []
    end = (NOW + timedelta(days=60)).isoformat()
    assert [row["id"] for row in listed(desk, end=end)] == [series[1].pk]
    first_page = desk.get("/appointments/too-early", limit=1)
    assert len(first_page.json()["items"]) == 1
    assert 'rel="next"' in first_page.headers["Link"]
    assert_problem(desk.get("/appointments/too-early", late="true"), 400, "parameter_unknown")


def test_another_chain_sees_nothing(stage, series):
    put(stage, series[0], days=20)
    stranger = sign_in(Role.FRONT_DESK)
    assert listed(stranger) == []
    assert_problem(stranger.post(f"/appointments/{series[1].pk}/offers"), 404)


@pytest.mark.parametrize(
    "body", [{"days": 0}, {"days": 500}, {"limit": 0}, {"clinics": [{"clinic": 10**9}]}]
)
def test_odd_wishes_are_refused(stage, series, desk, body):
    problem = assert_problem(
        desk.post(f"/appointments/{series[1].pk}/offers", body), 400, "invalid"
    )
    assert problem["errors"]


def test_a_search_after_an_appointment_leaves_the_skin_its_time(stage, desk):
    booked = book(stage, days=0)
    body = {
        "course": stage.course.pk,
        "after": booked.pk,
        "start": NOW.isoformat(),
        "end": (NOW + timedelta(days=90)).isoformat(),
    }
    found_slots = desk.post("/slot-searches", body).json()
    assert found_slots["earliest_on"] == "2026-04-14"
    assert found_slots["advised_on"] == "2026-04-29"
    assert all(slot["start"] >= "2026-04-14" for slot in found_slots["slots"])
    other = book(stage, days=1, course=make_running_course(stage.clinic))
    problem = assert_problem(
        desk.post("/slot-searches", {**body, "after": other.pk}), 400, "invalid"
    )
    assert problem["errors"][0]["pointer"] == "/after"


def test_a_list_costs_the_same_for_two_and_for_six(stage, desk):
    costs = []
    for count in (2, 4):
        for _ in range(count):
            course = make_running_course(stage.clinic)
            treat(stage, TREATED_AT, course=course)
            number = Appointment.objects.count()
            appointment = appointment_book(
                course_id=course.pk,
                visit=stage.visit(TOMORROW_TEN + timedelta(days=60, minutes=30 * number)),
                actor=stage.desk,
                now=NOW,
            )
            Appointment.objects.filter(pk=appointment.pk).update(
                starts_at=NOW + timedelta(days=1, minutes=number)
            )
        assert len(listed(desk)) == sum((2, 4)[: len(costs) + 1])
        costs.append(queries_of(desk, "/appointments/too-early"))
    assert costs[0] == costs[1]
