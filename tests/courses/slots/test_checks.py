from dataclasses import replace
from datetime import UTC, datetime, time

import pytest

from courses.slots import BadRequest, Grid, InkNeed, SearchPolicy, TimeWish, search_slots
from tests.support.slot_cases import MONDAY, request_for, simple_case


def refused_field(request=None, *, grid=None, clinics=None, policy=None):
    case = simple_case()
    with pytest.raises(BadRequest) as refused:
        search_slots(
            request or request_for(),
            grid=grid or case.grid,
            clinics=[case.clinic] if clinics is None else clinics,
            policy=policy or SearchPolicy(),
        )
    assert refused.value.message
    return refused.value.field


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"earliest_at": datetime(2026, 6, 1)}, "earliest_at"),  # noqa: DTZ001 - refused
        ({"limit": 0}, "limit"),
        ({"limit": 101}, "limit"),
        ({"needs": ()}, "needs"),
        ({"needs": tuple(InkNeed(str(n), (1064,)) for n in range(25))}, "needs"),
        ({"needs": (InkNeed("a", (1064,)), InkNeed("a", (532,)))}, "needs.key"),
        ({"needs": (InkNeed("a", ()),)}, "needs.wavelengths_nm"),
        ({"needs": (InkNeed("a", (0,)),)}, "needs.wavelengths_nm"),
        ({"needs": (InkNeed("a", (1064,), share=float("nan")),)}, "needs.share"),
        ({"needs": (InkNeed("a", (1064,), share=1.5),)}, "needs.share"),
        ({"wishes": (TimeWish(frozenset()),)}, "wishes.0.weekdays"),
        ({"wishes": (TimeWish(frozenset({0})),)}, "wishes.0.weekdays"),
        ({"wishes": (TimeWish(since=time(12), until=time(9)),)}, "wishes.0.until"),
    ],
)
def test_request_that_cannot_be_searched_is_refused(change, field):
    assert refused_field(replace(request_for(), **change)) == field


def test_horizon_has_a_limit():
    assert refused_field(grid=Grid(datetime(2026, 6, 1, tzinfo=UTC), 402 * 288)) == "horizon"


def test_clinics_have_a_limit_and_are_named_once():
    clinic = simple_case().clinic
    assert refused_field(clinics=[clinic, clinic]) == "clinics"
    many = [replace(clinic, id=number) for number in range(251)]
    assert refused_field(clinics=many) == "clinics"
    assert refused_field(clinics=[replace(clinic, preference=2.0)]) == "clinics.preference"


@pytest.mark.parametrize(
    "change",
    [
        {"closeness": -1.0},
        {"ink": float("inf")},
        dict.fromkeys(("closeness", "fragmentation", "continuity", "preference", "ink"), 0.0),
        {"closeness_half_life_days": 0.0},
        {"start_step_minutes": 7},
        {"start_step_minutes": 25},
        {"start_step_minutes": 0},
        {"slots_per_day": 0},
        {"min_apart_minutes": -1},
    ],
)
def test_policy_that_cannot_rank_is_refused(change):
    assert refused_field(policy=SearchPolicy(**change)).startswith("policy")


def test_window_in_the_past_does_not_let_a_visit_start_in_the_past():
    case = simple_case()
    now = MONDAY.replace(hour=12)
    answer = search_slots(
        request_for(earliest_at=now, window_closes_on=datetime(2020, 1, 1, tzinfo=UTC).date()),
        grid=case.grid,
        clinics=[case.clinic],
    )
    assert min(slot.start for slot in answer.slots) >= now
