from datetime import UTC, datetime

from courses.slots import FittedTo, Grid, HandpieceCandidate, InkNeed, LaserCandidate
from courses.slots.options import device_options, ink_plans, least_covers

GRID = Grid(datetime(2026, 6, 1, tzinfo=UTC), 288)
BLACK = InkNeed("black", (1064, 755), share=0.6)
GREEN = InkNeed("green", (755, 694), share=0.3)
RED = InkNeed("red", (532,), share=0.1, required=False)


def sets(plans):
    return [set(plan.wavelengths_nm) for plan in plans]


def test_plan_uses_the_best_alternative_it_emits_and_ranks_by_area_served():
    plans = ink_plans((BLACK, GREEN, RED), frozenset({532, 755, 1064}))
    assert sets(plans) == [{532, 755, 1064}, {755, 1064}, {532, 755}, {755}]
    best, last = plans[0], plans[-1]
    assert [(one.key, one.wavelength_nm) for one in best.served] == [
        ("black", 1064),
        ("green", 755),
        ("red", 532),
    ]
    assert best.ink == 1
    assert last.left_out == ("red",)
    assert round(last.ink, 6) == round(0.6 * 0.8 + 0.3, 6)


def test_no_wavelength_idles_beside_a_better_one():
    assert sets(ink_plans((BLACK,), frozenset({755, 1064}))) == [{1064}, {755}]


def test_no_plan_without_every_required_need():
    assert not ink_plans((BLACK, GREEN), frozenset({1064, 532}))


def test_optional_needs_alone_still_need_one_of_them():
    assert sets(ink_plans((RED,), frozenset({532}))) == [{532}]
    assert not ink_plans((RED,), frozenset({1064}))


def test_handpieces_are_the_fewest_that_pass_the_wavelengths():
    carriers = {0: frozenset({532}), 1: frozenset({1064}), 2: frozenset({532, 1064})}
    assert least_covers({532, 1064}, carriers) == [(0, 1), (2,)]


def test_only_lines_of_both_laser_and_fitted_handpiece_are_emitted():
    laser = LaserCandidate(1, b"", model_id=1, wavelengths_nm=frozenset({1064, 532}))
    long_ago = datetime(2020, 1, 1, tzinfo=UTC)
    tips = [
        HandpieceCandidate(1, b"", frozenset({755}), (FittedTo(1, long_ago),)),
        HandpieceCandidate(2, b"", frozenset({1064}), (FittedTo(2, long_ago),)),
        HandpieceCandidate(3, b"", frozenset({1064}), (FittedTo(1, long_ago, GRID.start),)),
        HandpieceCandidate(4, b"", frozenset({1064}), (FittedTo(1, GRID.end),)),
        HandpieceCandidate(5, b"", frozenset({1064, 755}), (FittedTo(1, GRID.start),)),
    ]
    options = device_options((BLACK,), lasers=[laser], handpieces=tips, grid=GRID)
    assert [(option.handpieces, set(option.plan.wavelengths_nm)) for option in options] == [
        ((4,), {1064})
    ]
