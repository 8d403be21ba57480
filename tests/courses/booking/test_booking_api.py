"""Searching and booking over the API, as a front desk does."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinics.models import Reservation
from clinics.vocabulary import Role
from core.spans import Span
from courses.models import Appointment
from courses.services.booking import appointment_book
from tests.support.api import Caller, assert_problem, queries_of, sign_in
from tests.support.booking import Stage, make_running_course, make_stage
from tests.support.factories import make_clinic, make_opening_week, make_shift

pytestmark = pytest.mark.django_db

GRAIN = timedelta(minutes=5)


@pytest.fixture
def stage(time_machine_at_stage) -> Stage:
    return make_stage()


@pytest.fixture
def desk(stage) -> Caller:
    return sign_in(Role.FRONT_DESK, clinic=stage.clinic)


def search(desk: Caller, stage: Stage, **changes):
    start = timezone.now()
    body = {
        "course": stage.course.pk,
        "start": start.isoformat(),
        "end": (start + timedelta(days=14)).isoformat(),
        **changes,
    }
    return desk.post("/slot-searches", body)


def booking_of(slot: dict, course_id: int, **changes) -> dict:
    wanted = ("start", "clinic", "room", "operator", "laser", "handpieces", "wavelengths_nm")
    return {"course": course_id, **{name: slot[name] for name in wanted}, **changes}


def test_a_found_slot_can_be_booked_as_it_is(desk, stage):
    found = search(desk, stage).json()
    slot = found["slots"][0]
    assert slot["reasons"]
    assert {part["name"] for part in slot["score_parts"]} >= {"closeness", "fragmentation"}
    answer = desk.post("/appointments", booking_of(slot, stage.course.pk), key="a")
    assert answer.status_code == 201, answer.json()
    booked = answer.json()
    assert booked["status"] == "booked"
    assert booked["starts_at"] == slot["start"].replace("+00:00", "Z")
    assert [segment["label"] for segment in booked["segments"]]
    assert answer.headers["Location"].endswith(f"/appointments/{booked['id']}")


def test_what_begins_in_the_past_is_refused_as_that(desk, stage):
    """And not for a healing window that closed long before."""
    slot = search(desk, stage).json()["slots"][0]
    over = booking_of(slot, stage.course.pk, start=(timezone.now() - GRAIN).isoformat())
    problem = assert_problem(desk.post("/appointments", over, key="over"), 422, "slot_unfit")
    assert [reason["code"] for reason in problem["reasons"]] == ["in_the_past"]
    assert not Appointment.objects.exists()


def test_the_same_key_books_once_and_answers_byte_for_byte(desk, stage):
    slot = search(desk, stage).json()["slots"][0]
    first = desk.post("/appointments", booking_of(slot, stage.course.pk), key="k1")
    again = desk.post("/appointments", booking_of(slot, stage.course.pk), key="k1")
    assert again.content == first.content
    assert again.headers["Idempotency-Replayed"] == "true"
    assert Appointment.objects.count() == 1
    other = desk.post("/appointments", booking_of(slot, stage.course.pk, minutes=30), key="k1")
    assert_problem(other, 422, "idempotency_key_reused")


def test_booking_needs_a_key(desk, stage):
    slot = search(desk, stage).json()["slots"][0]
    assert_problem(
        desk.post("/appointments", booking_of(slot, stage.course.pk)),
        400,
        "idempotency_key_missing",
    )
    assert not Appointment.objects.exists()


def test_a_taken_slot_answers_409_with_alternatives(desk, stage):
    slot = search(desk, stage).json()["slots"][0]
    other = make_running_course(stage.clinic)
    desk.post("/appointments", booking_of(slot, other.pk), key="a")
    problem = assert_problem(
        desk.post("/appointments", booking_of(slot, stage.course.pk), key="b"), 409, "slot_taken"
    )
    assert problem["alternatives"]
    retry = desk.post(
        "/appointments", booking_of(problem["alternatives"][0], stage.course.pk), key="b"
    )
    assert retry.status_code == 201


def test_a_search_that_finds_nothing_says_what_bound(desk, stage):
    found = search(desk, stage, wavelengths_nm=[755]).json()
    assert found["slots"] == []
    assert found["bounds"][0]["code"] == "no_laser_with_wavelength"
    assert "755" in found["bounds"][0]["detail"]


def test_a_described_visit_needs_no_course(desk, stage):
    start = timezone.now()
    answer = desk.post(
        "/slot-searches",
        {
            "start": start.isoformat(),
            "end": (start + timedelta(days=7)).isoformat(),
            "description": {
                "skin_type": 2,
                "area_cm2": 40,
                "parts": [{"colour": "red", "share": 1.0}],
            },
        },
    )
    slots = answer.json()["slots"]
    assert slots
    assert all(532 in slot["wavelengths_nm"] for slot in slots)


def test_a_move_needs_the_version_and_frees_the_old_time(desk, stage):
    slots = search(desk, stage).json()["slots"]
    booked = desk.post("/appointments", booking_of(slots[0], stage.course.pk), key="a").json()
    path = f"/appointments/{booked['id']}"
    move = booking_of(slots[1], stage.course.pk)
    del move["course"]
    assert_problem(desk.post(f"{path}/move", move), 428, "precondition_required")
    moved = desk.client.post(
        f"/api/v1{path}/move", move, format="json", headers={"If-Match": desk.etag(path)}
    )
    assert moved.status_code == 200, moved.json()
    starts = set(
        Reservation.objects.filter(source=f"appointment:{booked['id']}").values_list(
            "period__startswith", flat=True
        )
    )
    assert moved.json()["starts_at"] != booked["starts_at"]
    assert min(starts).isoformat().replace("+00:00", "Z") == moved.json()["starts_at"]


@pytest.mark.parametrize(
    ("changes", "status", "code"),
    [
        ({"start": "2026-03-04T10:00:00"}, 400, "invalid"),
        ({"start": "2026-03-05T10:00:00Z", "end": "2026-03-04T10:00:00Z"}, 400, "invalid"),
        ({"end": "2030-03-04T10:00:00Z"}, 422, "input_refused"),
        ({"limit": 0}, 400, "invalid"),
        ({"minutes": 0}, 400, "invalid"),
        ({"minutes": 4320}, 400, "invalid"),
        ({"course": 10**9}, 400, "invalid"),
        ({"clinics": [{"clinic": 1}] * 251}, 400, "invalid"),
        ({"wavelengths_nm": [0]}, 400, "invalid"),
    ],
)
def test_bad_searches_say_what_to_mend(desk, stage, changes, status, code):
    problem = assert_problem(search(desk, stage, **changes), status, code)
    assert problem["errors"]


def test_another_chain_sees_nothing(desk, stage):
    slot = search(desk, stage).json()["slots"][0]
    booked = desk.post("/appointments", booking_of(slot, stage.course.pk), key="a").json()
    stranger = sign_in(Role.FRONT_DESK)
    assert_problem(stranger.get(f"/appointments/{booked['id']}"), 404)
    assert stranger.get("/appointments").json()["items"] == []
    assert_problem(
        stranger.post("/appointments", booking_of(slot, stage.course.pk), key="x"), 400, "invalid"
    )


def test_a_technician_does_not_book(stage):
    operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
    slot = search(operator, stage).json()["slots"][0]
    assert_problem(operator.post("/appointments", booking_of(slot, stage.course.pk), key="a"), 403)


def test_a_list_costs_the_same_for_two_and_for_twelve(desk, stage):
    costs = []
    for count in (2, 10):
        for _ in range(count):
            course = make_running_course(stage.clinic)
            slot = search(desk, stage, course=course.pk).json()["slots"][0]
            made = desk.post("/appointments", booking_of(slot, course.pk), key=f"k{course.pk}")
            assert made.status_code == 201, made.json()
        costs.append(queries_of(desk, "/appointments"))
    assert costs[0] == costs[1]


def test_capacity_counts_booked_hours_and_names_what_binds(stage, desk):
    week = {"from_": timezone.now().date().isoformat(), "weeks": 1}
    before = desk.get("/capacity", **week).json()["items"][0]
    slot = search(desk, stage, minutes=60, start=timezone.now().isoformat()).json()["slots"][0]
    desk.post("/appointments", booking_of(slot, stage.course.pk, minutes=60), key="a")
    after = desk.get("/capacity", **week).json()["items"][0]

    def row(week, kind):
        return next(
            row for row in week["rows"] if row["kind"] == kind and row["wavelength_nm"] is None
        )

    for kind in ("room", "staff", "laser", "handpiece"):
        assert row(before, kind)["bookable_h"] == 7 * 8
        assert row(after, kind)["booked_h"] - row(before, kind)["booked_h"] == 1
        assert row(after, kind)["free_h"] == 7 * 8 - 1
    assert {row["wavelength_nm"] for row in after["binding"]} == {None, 532, 1064}


def test_capacity_counts_a_persons_visits_at_the_clinic_of_the_shift(stage, desk):
    other = make_stage(clinic=make_clinic(chain=stage.chain, country=""), days=0)
    make_opening_week(other.clinic)
    evening = timezone.now().replace(hour=18, minute=0)
    make_shift(stage.operator, other.clinic, Span(evening, evening + timedelta(hours=1)))
    appointment_book(
        course_id=stage.course.pk, visit=stage.visit(), actor=stage.desk, now=timezone.now()
    )
    weeks = desk.get("/capacity", from_=timezone.now().date().isoformat(), weeks=1).json()["items"]
    booked = {
        week["clinic"]: row["booked_h"]
        for week in weeks
        for row in week["rows"]
        if row["kind"] == "staff" and row["wavelength_nm"] is None
    }
    assert booked == {stage.clinic.pk: 0.5, other.clinic.pk: 0}


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-30"])
def test_capacity_beyond_the_calendar_is_refused(desk, day):
    assert_problem(desk.get("/capacity", from_=day), 400, "parameter_invalid")


@pytest.mark.parametrize("path", ["/appointments", "/sessions", "/recalls", "/messages"])
@pytest.mark.parametrize("name", ["start", "end"])
def test_lists_refuse_instants_without_an_offset(stage, path, name):
    caller = sign_in(Role.TREATING_CLINICIAN, clinic=stage.clinic)
    refused = caller.get(path, **{name: "2026-03-02T09:00:00"})
    assert_problem(refused, 400, "parameter_invalid")
    assert refused.json()["errors"][0]["parameter"] == name


def test_search_beyond_the_calendar_is_refused(desk, stage):
    assert_problem(search(desk, stage, end="9999-12-31T23:55:00Z"), 400, "invalid")


def test_capacity_refuses_wrong_parameters(desk):
    assert_problem(desk.get("/capacity"), 400, "parameter_invalid")
    assert_problem(desk.get("/capacity", from_="2026-03-02", weeks=200), 400, "parameter_invalid")
    assert_problem(desk.get("/capacity", from_="2026-03-02", week=2), 400, "parameter_unknown")
