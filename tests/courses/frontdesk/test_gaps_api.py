"""Gaps over the API: candidates, offers, who may."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Gap, GapOffer
from courses.services.booking import (
    appointment_book,
)
from courses.vocabulary import OfferStatus
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.booking import (
    NOW,
    TOMORROW_TEN,
    make_stage,
)
from tests.support.factories import make_clinic, make_opening_week, span
from tests.support.frontdesk import wait, wait_overdue
from tests.support.gaps import HOUR, start

pytestmark = pytest.mark.django_db


def ask(stage, **changes):
    return {
        "clinic": stage.clinic.pk,
        "start": HOUR.start.isoformat(),
        "end": HOUR.end.isoformat(),
        **changes,
    }


def test_candidates_show_the_slot_and_why(stage, desk, freed):
    entry = wait_overdue(stage, 12)
    for body in (ask(stage), {"appointment": freed.pk}):
        answer = desk.post("/gaps/candidates", body)
        assert answer.status_code == 200, answer.json()
        told = answer.json()
        assert told["waiting"] == 1
        [found] = told["candidates"]
        assert (found["entry"], found["overdue_days"]) == (entry.pk, 12)
        assert found["slot"]["laser"] == stage.laser.pk
        assert found["segments"]
        assert told["caution"]


def test_one_call_offers_it(stage, desk, freed):
    wait_overdue(stage, 12)
    answer = desk.post("/gaps/offers", {"appointment": freed.pk, "hold_minutes": 20}, key="a")
    assert answer.status_code == 201, answer.json()
    gap = answer.json()
    assert answer.headers["Location"].endswith(f"/gaps/{gap['id']}")
    assert (gap["laser"], gap["status"]) == (stage.laser.pk, "offering")
    [offer] = gap["offers"]
    assert offer["status"] == "offered"
    assert offer["expires_at"] == "2026-03-02T08:20:00Z"
    assert desk.get("/gap-offers", status="offered").json()["items"] == [offer]
    assert desk.get("/gaps", status="offering").json()["items"] == [gap]
    again = desk.post("/gaps/offers", {"appointment": freed.pk, "hold_minutes": 20}, key="a")
    assert again.content == answer.content
    assert Gap.objects.count() == 1


def test_nobody_who_fits_is_a_conflict_and_writes_nothing(stage, desk):
    wait(stage, notice_hours=300)
    problem = assert_problem(desk.post("/gaps/offers", ask(stage), key="a"), 409, "gap_fits_nobody")
    assert problem["waiting"] == 1
    assert not Gap.objects.exists()


@pytest.mark.parametrize(
    "changes",
    [
        {"clinic": None},
        {"start": "2026-03-03T10:00:00"},
        {"end": "2026-03-03T10:00:00Z"},
        {"end": "2026-04-03T10:00:00Z"},
        {"laser": 10**9},
        {"appointment": 10**9},
    ],
)
def test_odd_gaps_are_refused(stage, desk, changes):
    for path in ("/gaps/candidates", "/gaps/offers"):
        body = ask(stage, **changes)
        assert assert_problem(desk.post(path, body, key="a"), 400, "invalid")["errors"]


def test_time_that_is_over_or_taken_is_no_gap(stage, desk):
    past = ask(stage, start="2026-03-01T10:00:00Z", end="2026-03-01T11:00:00Z")
    assert_problem(desk.post("/gaps/offers", past, key="a"), 422, "gap_over")
    assert_problem(desk.post("/gaps/candidates", past), 422, "gap_over")
    standing = appointment_book(
        course_id=stage.course.pk, visit=stage.visit(), actor=stage.desk, now=NOW
    )
    problem = assert_problem(
        desk.post("/gaps/candidates", {"appointment": standing.pk}), 400, "invalid"
    )
    assert problem["errors"][0]["code"] == "stands"
    wait_overdue(stage, 5)
    half_taken = ask(stage, end="2026-03-03T10:40:00Z")
    assert desk.post("/gaps/candidates", half_taken).json()["candidates"] == []


def test_an_entry_on_offer_is_not_taken_off_the_list(stage, desk):
    entry = wait_overdue(stage, 12)
    start(stage)
    assert_problem(
        desk.delete(f"/waiting-list/{entry.pk}", version=1),
        409,
        "waiting_list_entry_has_offer",
    )


def test_who_may(stage, desk):
    wait_overdue(stage, 12)
    operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
    assert_problem(operator.post("/gaps/candidates", ask(stage)), 403)
    manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
    assert manager.post("/gaps/candidates", ask(stage)).status_code == 200
    assert_problem(manager.post("/gaps/offers", ask(stage), key="a"), 403)
    elsewhere = sign_in(Role.FRONT_DESK, clinic=make_stage_in(stage.chain).clinic)
    assert_problem(elsewhere.post("/gaps/offers", ask(stage), key="a"), 403)


def test_another_chain_sees_nothing(stage, desk):
    wait_overdue(stage, 12)
    gap = start(stage)
    offer = gap.offers.get()
    stranger = sign_in(Role.FRONT_DESK)
    assert_problem(stranger.get(f"/gaps/{gap.pk}"), 404)
    assert_problem(stranger.get(f"/gap-offers/{offer.pk}"), 404)
    for path in (f"/gap-offers/{offer.pk}/accept", f"/gaps/{gap.pk}/withdraw"):
        answer = stranger.client.post(f"/api/v1{path}", headers={"If-Match": "*"})
        assert_problem(answer, 404)
    assert stranger.get("/gaps").json()["items"] == []
    assert_problem(stranger.post("/gaps/candidates", ask(stage)), 400, "invalid")


def test_lists_cost_the_same_for_two_and_for_eight(stage, desk):
    costs = []
    for count in (2, 6):
        for _ in range(count):
            wait_overdue(stage, 10)
            hour = 2 * Gap.objects.count()
            start(stage, when=span(TOMORROW_TEN.replace(hour=9) + timedelta(days=hour)))
        costs.append((queries_of(desk, "/gaps"), queries_of(desk, "/gap-offers", status="offered")))
    assert costs[0] == costs[1]
    assert GapOffer.objects.filter(status=OfferStatus.OFFERED).count() == 8


def make_stage_in(chain):
    clinic = make_clinic(chain, country="")
    make_opening_week(clinic)
    return make_stage(clinic=clinic, days=2)
