"""The spacing of the sessions to come, from the same rules as a window."""

from datetime import date

import pytest

from courses.healing import Facts, Observation, policy_of, spacing_of
from courses.vocabulary import BodySite, ObservationKind, SkinType

DAY = date(2026, 3, 2)


def days(policy=None, **facts):
    given = Facts(treated_on=DAY, today=DAY, **facts)
    spacing = spacing_of(given, policy) if policy else spacing_of(given)
    return spacing.earliest_days, spacing.advised_days, spacing.longest_days


def test_plain_skin_heals_by_the_base_rule():
    assert days() == (42, 57, 84)


@pytest.mark.parametrize(
    "facts",
    [
        {"skin_type": SkinType.IV},
        {"site": BodySite.FOOT},
        {"area_cm2": 31.0},
        {"smoker": True},
        {"passes": 2},
    ],
)
def test_what_lengthens_a_window_lengthens_the_spacing(facts):
    assert days(**facts) == (56, 57, 84)


def test_a_chain_may_only_lengthen_it():
    policy = policy_of({"healing.base": {"days": 70}}, version="own")
    assert days(policy) == (70, 70, 84)


def test_what_one_session_showed_and_what_bars_for_good_is_left_aside():
    erosion = Observation(kind=ObservationKind.EROSION, observed_on=DAY)
    spacing = spacing_of(Facts(treated_on=DAY, today=DAY, observations=(erosion,), gold_ever=True))
    assert spacing.earliest_days == 42


def test_it_names_the_rules_that_set_it():
    spacing = spacing_of(Facts(treated_on=DAY, today=DAY, skin_type=SkinType.V))
    assert {basis.id for basis in spacing.basis} == {"healing.skin-type", "healing.advised"}
