"""Hazard distances: never below 0, and growing with what makes a beam worse."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices import safety as s

POSITIVE = st.floats(1e-3, 1e3)


@given(POSITIVE, POSITIVE, st.floats(0, 20), st.floats(0.1, 100), st.sampled_from(s.Growth))
def test_never_negative_and_the_linear_form_never_above_the_other(joules, limit, mm, mrad, growth):
    given_ = {"limit_j_m2": limit, "diameter_mm": mm, "divergence_mrad": mrad}
    metres = s.hazard_distance_m(joules, **given_, growth=growth)
    assert metres >= 0
    assert s.hazard_distance_m(joules, **given_, growth=s.Growth.LINEAR) <= metres * (1 + 1e-9)
    assert s.hazard_distance_m(joules * 2, **given_, growth=growth) >= metres


def test_a_beam_below_its_limit_has_none():
    assert s.hazard_distance_m(1e-9, limit_j_m2=1, diameter_mm=10, divergence_mrad=1) == 0.0


@pytest.mark.parametrize("wrong", [{"divergence_mrad": 0}, {"diameter_mm": -1}, {"limit_j_m2": 0}])
def test_what_cannot_be_is_refused(wrong):
    given_ = {"limit_j_m2": 0.05, "diameter_mm": 3, "divergence_mrad": 1} | wrong
    with pytest.raises(s.InvalidQuantity):
        s.hazard_distance_m(1, **given_)


@pytest.mark.parametrize("wrong", [{"reflectance": 1.1}, {"angle_deg": 90}, {"angle_deg": -1}])
def test_a_surface_that_cannot_be_is_refused(wrong):
    with pytest.raises(s.InvalidQuantity):
        s.diffuse_distance_m(1, limit_j_m2=0.05, **wrong)
