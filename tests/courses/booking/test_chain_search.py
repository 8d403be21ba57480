"""One search over many clinics: one call, a fixed number of queries, the best anywhere."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from clinics.models import Occupancy
from clinics.vocabulary import Role
from courses.models import Appointment
from tests.support.api import Caller, assert_problem, sign_in
from tests.support.booking import Stage, make_stage
from tests.support.factories import make_chain, make_clinic, make_opening_week

pytestmark = pytest.mark.django_db


@pytest.fixture
def stages(time_machine_at_stage) -> list[Stage]:
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


def search(desk: Caller, stages: list[Stage], *, days: int = 14, **changes):
    start = timezone.now()
    body = {
        "course": stages[0].course.pk,
        "start": start.isoformat(),
        "end": (start + timedelta(days=days)).isoformat(),
        "clinics": [{"clinic": stage.clinic.pk} for stage in stages],
        **changes,
    }
    return desk.post("/slot-searches", body)


def test_it_costs_the_same_queries_for_two_clinics_as_for_six(desk, stages):
    costs = []
    for some in (stages[:2], stages):
        with CaptureQueriesContext(connection) as seen:
            answer = search(desk, some)
        assert answer.json()["slots"]
        costs.append(len(seen))
    assert costs[0] == costs[1]


def test_slots_come_from_whichever_clinic_is_free(desk, stages):
    for stage in stages[1:]:
        resource = stage.laser.resource
        for day in range(16):
            on = timezone.now().date() + timedelta(days=day)
            Occupancy.objects.create(resource=resource, day=on, bits=b"\xff" * 36)
    found = search(desk, stages).json()["slots"]
    assert {slot["clinic"] for slot in found} == {stages[0].clinic.pk}


def test_the_earliest_anywhere_within_many_clinics_is_one_call(desk, stages):
    """The one clinic that is free soonest is the one the patient likes least."""
    soonest = stages[3].clinic
    for stage in stages:
        busy = 1 if stage.clinic == soonest else 4
        for day in range(busy):
            on = timezone.now().date() + timedelta(days=day)
            Occupancy.objects.create(resource=stage.laser.resource, day=on, bits=b"\xff" * 36)
    wishes = [
        {"clinic": stage.clinic.pk, "preference": 0.0 if stage.clinic == soonest else 1.0}
        for stage in stages
    ]
    best = search(desk, stages, clinics=wishes, limit=1).json()["slots"][0]
    assert best["clinic"] != soonest.pk
    with CaptureQueriesContext(connection) as seen:
        answer = search(desk, stages, clinics=wishes, limit=4, rank="earliest")
    found = answer.json()["slots"]
    assert found[0]["clinic"] == soonest.pk
    assert [slot["start"] for slot in found] == sorted(slot["start"] for slot in found)
    assert found[0]["start"] < best["start"]
    assert sum("FROM clinics_clinic AS clinic" in query["sql"] for query in seen) == 1


def test_a_slot_that_stale_occupancy_shows_is_refused_with_others_to_choose(desk, stages):
    slot = search(desk, stages, limit=1).json()["slots"][0]
    wanted = ("start", "clinic", "room", "operator", "laser", "handpieces", "wavelengths_nm")
    body = {name: slot[name] for name in wanted}
    first = desk.post("/appointments", {"course": stages[0].course.pk, **body}, key="a")
    assert first.status_code == 201
    Occupancy.objects.update(bits=bytes(36))
    again = search(desk, stages, course=stages[1].course.pk, limit=50).json()["slots"]
    assert any(one["start"] == slot["start"] for one in again)
    refused = desk.post("/appointments", {"course": stages[1].course.pk, **body}, key="b")
    assert assert_problem(refused, 409, "slot_taken")["alternatives"]
    assert Appointment.objects.count() == 1


def test_a_booking_is_gone_from_the_next_search(desk, stages):
    slot = search(desk, stages, limit=1).json()["slots"][0]
    wanted = ("start", "clinic", "room", "operator", "laser", "handpieces", "wavelengths_nm")
    body = {name: slot[name] for name in wanted}
    made = desk.post("/appointments", {"course": stages[0].course.pk, **body}, key="a").json()
    at = [
        one["start"] for one in search(desk, stages[:1], course=stages[1].course.pk).json()["slots"]
    ]
    assert slot["start"] not in at or slot["clinic"] != stages[0].clinic.pk
    path = f"/appointments/{made['id']}"
    desk.client.post(
        f"/api/v1{path}/cancel",
        {"reason": "no time"},
        format="json",
        headers={"If-Match": desk.etag(path)},
    )
    free = search(desk, stages, course=stages[1].course.pk, limit=1).json()["slots"][0]
    assert free["start"] == slot["start"]
