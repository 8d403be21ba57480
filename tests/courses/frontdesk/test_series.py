"""Series: the next sessions of a course booked at once, at the advised interval; all or none."""

from datetime import timedelta
from itertools import pairwise

import pytest

from clinics.models import Reservation
from clinics.vocabulary import Role
from courses.errors import CourseAlreadyBooked, CourseUnknown, SeriesIncomplete
from courses.models import Appointment, AppointmentSeries
from courses.selectors.plans import Technique
from courses.selectors.slots import SearchOrder
from courses.services.booking import SeriesOrder, appointment_book, series_book
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.booking import NOW, TOMORROW_TEN, make_running_course, make_stage
from tests.support.factories import span
from tests.support.frontdesk import days_between, treat, visit_body
from tests.support.threads import at_once

pytestmark = pytest.mark.django_db


def order(sessions=3, **changes):
    search = SearchOrder(span=span(NOW, minutes=14 * 24 * 60), technique=Technique())
    return SeriesOrder(**{"sessions": sessions, "search": search, **changes})


def book_series(stage, sessions=3, **changes):
    return series_book(
        course_id=stage.course.pk, order=order(sessions, **changes), actor=stage.desk, now=NOW
    )


def starts(series):
    return [row.starts_at for row in series.appointments.order_by("position")]


def ask(stage, **changes):
    return {
        "course": stage.course.pk,
        "sessions": 3,
        "start": NOW.isoformat(),
        "end": (NOW + timedelta(days=14)).isoformat(),
        **changes,
    }


def test_each_session_is_on_the_advised_day_after_the_one_before(stage):
    series = book_series(stage)
    first, second, third = starts(series)
    assert first >= NOW
    assert (second.date() - first.date()).days == 57
    assert (third.date() - second.date()).days == 57
    assert list(series.appointments.order_by("position").values_list("position", flat=True)) == [
        1,
        2,
        3,
    ]
    assert Reservation.objects.filter(resource=stage.course.patient.resource).count() == 3


def test_the_first_slot_can_be_the_patient_s_choice(stage):
    chosen = stage.visit(TOMORROW_TEN + timedelta(days=2))
    first, second = starts(book_series(stage, 2, first=chosen))
    assert first == chosen.starts_at
    assert (second.date() - first.date()).days == 57


def test_a_chain_that_advises_longer_gets_longer_series(stage):
    stage.chain.healing_policy = {"healing.advised": {"days": 70}}
    stage.chain.save()
    first, second = starts(book_series(stage, 2))
    assert (second.date() - first.date()).days == 70


def test_what_is_known_of_skin_and_place_lengthens_the_least_interval(stage):
    patient = stage.course.patient
    patient.skin_type = 5
    patient.save()
    first, second = book_series(stage, 2).appointments.order_by("position")
    assert first.next_earliest_at.date() == first.starts_at.date() + timedelta(days=56)
    assert first.next_advised_on == first.starts_at.date() + timedelta(days=57)
    assert second.starts_at >= first.next_earliest_at


def test_the_first_waits_for_the_healing_window(stage):
    window = treat(stage, NOW - timedelta(days=50))
    first, second = starts(book_series(stage, 2))
    assert first.date() >= window.earliest_on
    assert (second.date() - first.date()).days == 57


def test_it_follows_what_is_booked_already(stage):
    booked = appointment_book(
        course_id=stage.course.pk, visit=stage.visit(), actor=stage.desk, now=NOW
    )
    search = SearchOrder(span=span(NOW, minutes=80 * 24 * 60))
    first, _ = starts(book_series(stage, 2, search=search))
    assert (first.date() - booked.starts_at.date()).days == 57


def test_without_a_slot_for_one_of_them_none_is_booked():
    stage = make_stage(days=70)
    with pytest.raises(SeriesIncomplete) as refused:
        book_series(stage)
    assert refused.value.data["number"] == 3
    assert refused.value.data["bounds"]
    assert not Appointment.objects.exists()
    assert not AppointmentSeries.objects.exists()
    assert not Reservation.objects.exists()


def test_another_chain_s_course_is_not_there(stage):
    foreign = make_stage()
    with pytest.raises(CourseUnknown):
        series_book(course_id=foreign.course.pk, order=order(), actor=stage.desk, now=NOW)


def test_a_second_visit_keeps_its_distance_and_no_more(stage):
    first = appointment_book(
        course_id=stage.course.pk, visit=stage.visit(), actor=stage.desk, now=NOW
    )
    for days in (3, 41):
        with pytest.raises(CourseAlreadyBooked) as refused:
            appointment_book(
                course_id=stage.course.pk,
                visit=stage.visit(TOMORROW_TEN + timedelta(days=days)),
                actor=stage.desk,
                now=NOW,
            )
        assert refused.value.data["appointment"] == first.pk
    second = appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(days=42)),
        actor=stage.desk,
        now=NOW,
    )
    assert second.starts_at == TOMORROW_TEN + timedelta(days=42)


def test_nothing_is_put_before_a_visit_that_it_would_make_too_early(stage):
    later = stage.visit(TOMORROW_TEN + timedelta(days=50))
    appointment_book(course_id=stage.course.pk, visit=later, actor=stage.desk, now=NOW)
    with pytest.raises(CourseAlreadyBooked):
        appointment_book(
            course_id=stage.course.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(days=9)),
            actor=stage.desk,
            now=NOW,
        )
    appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(TOMORROW_TEN + timedelta(days=8)),
        actor=stage.desk,
        now=NOW,
    )


def test_the_api_books_shows_and_lists_a_series(stage, desk):
    answer = desk.post("/appointment-series", ask(stage), key="a")
    assert answer.status_code == 201, answer.json()
    series = answer.json()
    booked = series["appointments"]
    assert [one["position"] for one in booked] == [1, 2, 3]
    assert days_between(booked[0]["starts_at"], booked[1]["starts_at"]) == 57
    assert answer.headers["Location"].endswith(f"/appointment-series/{series['id']}")
    assert desk.get(f"/appointment-series/{series['id']}").json() == series
    listed = desk.get("/appointment-series", course=stage.course.pk).json()["items"]
    assert listed == [series]
    again = desk.post("/appointment-series", ask(stage), key="a")
    assert again.headers["Idempotency-Replayed"] == "true"
    assert AppointmentSeries.objects.count() == 1


def test_the_api_takes_a_chosen_first_slot(stage, desk):
    chosen = stage.visit(TOMORROW_TEN + timedelta(days=1))
    answer = desk.post(
        "/appointment-series", ask(stage, sessions=2, first=visit_body(chosen)), key="a"
    )
    assert answer.status_code == 201, answer.json()
    assert answer.json()["appointments"][0]["starts_at"] == "2026-03-04T10:00:00Z"


@pytest.mark.parametrize(
    ("changes", "status", "code"),
    [
        ({"sessions": 1}, 400, "invalid"),
        ({"sessions": 4}, 400, "invalid"),
        ({"search_days": 0}, 400, "invalid"),
        ({"start": "2026-03-02T08:00:00"}, 400, "invalid"),
        ({"course": 10**9}, 400, "invalid"),
        ({"end": "2026-03-02T08:30:00Z"}, 409, "series_incomplete"),
        ({"wavelengths_nm": [755]}, 409, "series_incomplete"),
        ({"end": "2030-03-02T08:30:00Z"}, 422, "input_refused"),
        ({"start": "2026-02-02T08:00:00Z", "end": "2026-02-20T08:00:00Z"}, 422, "input_refused"),
    ],
)
def test_a_series_that_cannot_be_says_what_to_mend(stage, desk, changes, status, code):
    problem = assert_problem(
        desk.post("/appointment-series", ask(stage, **changes), key="a"), status, code
    )
    assert problem.get("errors") or problem["bounds"]
    assert not Appointment.objects.exists()


def test_who_may_book_a_series(stage, desk):
    assert_problem(desk.post("/appointment-series", ask(stage)), 400, "idempotency_key_missing")
    operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
    assert_problem(operator.post("/appointment-series", ask(stage), key="a"), 403)
    stranger = sign_in(Role.FRONT_DESK)
    assert_problem(stranger.post("/appointment-series", ask(stage), key="a"), 400, "invalid")
    series = desk.post("/appointment-series", ask(stage), key="a").json()
    assert_problem(stranger.get(f"/appointment-series/{series['id']}"), 404)
    assert stranger.get("/appointment-series").json()["items"] == []


def test_a_list_costs_the_same_for_two_and_for_six(stage, desk):
    costs = []
    for count in (2, 4):
        for _ in range(count):
            course = make_running_course(stage.clinic)
            series_book(course_id=course.pk, order=order(2), actor=stage.desk, now=NOW)
        costs.append(queries_of(desk, "/appointment-series"))
    assert costs[0] == costs[1]


@pytest.mark.django_db(transaction=True)
@pytest.mark.slow
def test_series_at_once_share_a_diary_without_overlap(stage):
    courses = [make_running_course(stage.clinic) for _ in range(4)]
    outcomes = at_once(
        *(
            lambda course=course: series_book(
                course_id=course.pk, order=order(3), actor=stage.desk, now=NOW
            )
            for course in courses
        )
    )
    booked = [one for one in outcomes if isinstance(one, AppointmentSeries)]
    assert booked
    assert {one for one in outcomes if isinstance(one, str)} <= {"slot_taken"}
    assert Appointment.objects.count() == 3 * len(booked)
    assert Reservation.objects.count() == 15 * len(booked)


@pytest.mark.django_db(transaction=True)
@pytest.mark.slow
def test_of_two_series_of_one_course_at_once_the_second_follows_the_first(stage):
    search = SearchOrder(span=span(NOW, minutes=180 * 24 * 60))
    outcomes = at_once(*[lambda: book_series(stage, 2, search=search, search_days=60)] * 2)
    rows = Appointment.objects.order_by("starts_at")
    assert Appointment.objects.count() == 2 * sum(
        isinstance(one, AppointmentSeries) for one in outcomes
    )
    for one, other in pairwise(rows):
        assert other.starts_at >= one.next_earliest_at
