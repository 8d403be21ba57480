"""Quantities that cannot be, and relations that hold for all others."""

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices import metrology as m

POSITIVE = st.floats(1e-6, 1e6)


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda v: m.fluence_j_cm2(v, spot_mm=3), "energy_j"),
        (lambda v: m.fluence_j_cm2(1, spot_mm=v), "spot_mm"),
        (lambda v: m.pulse_energy_j(v, spot_mm=3), "fluence_j_cm2"),
        (lambda v: m.max_fluence_j_cm2(1, spot_mm=v), "spot_mm"),
        (lambda v: m.gaussian_axial_fluence_j_cm2(1, radius_mm=v), "radius_mm"),
        (lambda v: m.irradiance_w_cm2(1, pulse_s=v), "pulse_s"),
        (lambda v: m.peak_power_w(1, pulse_s=v), "pulse_s"),
        (lambda v: m.gaussian_peak_power_w(v, fwhm_s=1), "energy_j"),
        (lambda v: m.average_power_w(1, rate_hz=v), "rate_hz"),
        (m.photon_energy_ev, "wavelength_nm"),
        (lambda v: m.pulses_to_cover(v, spot_mm=3, overlap=0.1), "area_cm2"),
        (lambda v: m.spots_by_area(1, spot_mm=v), "spot_mm"),
        (m.thermal_relaxation_s, "diameter_m"),
        (m.diffusion_length_m, "pulse_s"),
        (m.stress_confinement_s, "diameter_m"),
        (lambda v: m.deviation(1, set_value=v), "set_value"),
        (lambda v: m.check_output(1, set_value=1, tolerance=v), "tolerance"),
        (lambda v: m.most_pulses(1, rate_hz=v), "rate_hz"),
    ],
)
@pytest.mark.parametrize("value", [0, -1, float("nan"), float("inf"), True])
def test_what_must_be_above_zero_is_refused_by_name(call, field, value):
    with pytest.raises(m.InvalidQuantity) as caught:
        call(value)

    assert (caught.value.field, caught.value.rule) == (field, "positive")


@pytest.mark.parametrize("overlap", [-0.1, 1, float("nan")])
def test_an_overlap_outside_its_range_is_refused(overlap):
    with pytest.raises(m.InvalidQuantity) as caught:
        m.spots_hex(10, spot_mm=3, overlap=overlap)

    assert caught.value.rule == "overlap-range"


def test_negative_counts_times_and_readings_are_refused():
    for call in (
        lambda: m.pulses_plausible(-1, firing_s=1, rate_hz=1),
        lambda: m.pulses_plausible(1, firing_s=-1, rate_hz=1),
        lambda: m.deviation(-1, set_value=1),
        lambda: m.disc_overlap(-1),
    ):
        with pytest.raises(m.InvalidQuantity) as caught:
            call()
        assert caught.value.rule == "not-negative"


def test_a_refusal_survives_being_sent_to_another_process():
    error = m.InvalidQuantity(field="spot_mm", rule="positive", message="no")

    assert vars(pickle.loads(pickle.dumps(error))) == vars(error)


@given(fluence=POSITIVE, spot=st.floats(0.1, 50))
def test_energy_and_fluence_are_each_others_inverse(fluence, spot):
    energy = m.pulse_energy_j(fluence, spot_mm=spot)

    assert m.fluence_j_cm2(energy, spot_mm=spot) == pytest.approx(fluence)


@given(
    area=st.floats(0.1, 1000),
    spot=st.floats(0.5, 20),
    overlap=st.floats(0, 0.5),
    more=st.floats(0.01, 0.4),
)
def test_more_overlap_needs_more_pulses(area, spot, overlap, more):
    few = m.pulses_to_cover(area, spot_mm=spot, overlap=overlap)
    many = m.pulses_to_cover(area, spot_mm=spot, overlap=overlap + more)

    assert 1 <= few <= many


@given(a=st.floats(0, 2), b=st.floats(0, 2))
def test_discs_further_apart_share_less(a, b):
    near, far = sorted((a, b))

    assert 0 <= m.disc_overlap(far) <= m.disc_overlap(near) <= 1


@given(energy=st.floats(-0.9, 5), spot=st.floats(-0.9, 5))
def test_change_of_fluence_agrees_with_fluence(energy, spot):
    before = m.fluence_j_cm2(1, spot_mm=4)
    after = m.fluence_j_cm2(1 + energy, spot_mm=4 * (1 + spot))

    assert m.fluence_change(energy_change=energy, spot_change=spot) == pytest.approx(
        after / before - 1, abs=1e-9
    )
