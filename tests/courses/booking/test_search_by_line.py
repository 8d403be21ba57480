"""A search answered line by line: the first slots come before all clinics have been read."""

import json
from datetime import timedelta

import pytest
from django.db import OperationalError, connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from clinics.vocabulary import Role
from courses.selectors import candidates, slots
from tests.support.api import BASE, Caller, assert_problem, pointers, sign_in
from tests.support.booking import Stage, make_stage
from tests.support.factories import make_chain, make_clinic, make_opening_week

pytestmark = pytest.mark.django_db
LINES = "application/x-ndjson"
ROSTERS = "FROM clinics_clinic AS clinic"


@pytest.fixture
def stages(time_machine_at_stage, monkeypatch) -> list[Stage]:
    monkeypatch.setattr(slots, "CLINICS_AT_ONCE", 2)
    chain = make_chain()
    made = []
    for _ in range(6):
        clinic = make_clinic(chain, country="")
        make_opening_week(clinic)
        made.append(make_stage(clinic=clinic))
    return made


@pytest.fixture
def desk(stages) -> Caller:
    return sign_in(Role.FRONT_DESK, chain=stages[0].chain)


def search(desk: Caller, stages: list[Stage], *, accept: str = LINES, days: int = 14, **changes):
    start = timezone.now()
    body = {
        "course": stages[0].course.pk,
        "start": start.isoformat(),
        "end": (start + timedelta(days=days)).isoformat(),
        "clinics": [{"clinic": stage.clinic.pk} for stage in stages],
        **changes,
    }
    path = f"{BASE}/slot-searches"
    return desk.client.post(path, body, format="json", headers={"Accept": accept})


def lines_of(answer) -> list[dict]:
    return [json.loads(line) for line in b"".join(answer.streaming_content).splitlines()]


def test_the_first_slots_come_before_later_clinics_are_read(desk, stages):
    with CaptureQueriesContext(connection) as seen:
        answer = search(desk, stages)
        lines = iter(answer.streaming_content)
        first = json.loads(next(lines))
        read_before = sum(ROSTERS in query["sql"] for query in seen.captured_queries)
        rest = [json.loads(line) for line in lines]
        read_at_last = sum(ROSTERS in query["sql"] for query in seen.captured_queries)
    assert answer.headers["Content-Type"] == LINES
    assert {slot["clinic"] for slot in first["slots"]} <= {one.clinic.pk for one in stages[:2]}
    assert (read_before, read_at_last) == (1, 3)
    assert list(rest[-1]) == ["answer"]


def test_the_last_line_is_the_answer_of_the_plain_search(desk, stages):
    told = lines_of(search(desk, stages, limit=5))
    plain = search(desk, stages, limit=5, accept="application/json").json()
    assert told[-1]["answer"] == plain
    shown = [slot for line in told[:-1] for slot in line["slots"]]
    assert all(slot in shown for slot in plain["slots"])


def test_clinics_that_the_patient_prefers_come_first(desk, stages):
    liked = stages[4:]
    wishes = [{"clinic": one.clinic.pk, "preference": 0.2} for one in stages[:4]]
    wishes += [{"clinic": one.clinic.pk, "preference": 0.9} for one in liked]
    first = lines_of(search(desk, stages, clinics=wishes))[0]
    assert {slot["clinic"] for slot in first["slots"]} <= {one.clinic.pk for one in liked}


def test_without_any_slot_the_only_line_says_what_bound(desk, stages):
    (only,) = lines_of(search(desk, stages, wavelengths_nm=[755]))
    assert only["answer"]["slots"] == []
    assert only["answer"]["bounds"][0]["code"] == "no_laser_with_wavelength"


def test_what_is_wrong_with_the_request_is_an_ordinary_problem(desk, stages):
    wrong = assert_problem(search(desk, stages, limit=0), 400, "invalid")
    assert pointers(wrong) == {"/limit": "min_value"}
    assert_problem(search(desk, stages, minutes=4320), 400, "invalid")
    assert_problem(search(Caller(), stages), 401)


def test_a_failure_midway_is_the_last_line(desk, stages, monkeypatch):
    reads = []

    def failing(*positional, **named):
        reads.append(named)
        if len(reads) == 2:
            raise OperationalError("the server went away")
        return candidates.diary_for(*positional, **named)

    monkeypatch.setattr(slots, "diary_for", failing)
    answer = search(desk, stages)
    told = lines_of(answer)
    assert [list(line) for line in told] == [["slots"], ["problem"]]
    problem = told[-1]["problem"]
    assert problem["status"] == 503
    assert problem["request_id"] == answer.headers["X-Request-ID"]


def test_a_failure_before_the_first_line_has_a_status_of_its_own(desk, stages, monkeypatch):
    def failing(*positional, **named):
        raise OperationalError("the server went away")

    monkeypatch.setattr(slots, "diary_for", failing)
    assert_problem(search(desk, stages), 503)


def test_nothing_else_is_on_offer(desk, stages):
    assert_problem(search(desk, stages, accept="text/csv"), 406)
