"""Reaction rates against published counts and other libraries' exact intervals."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from courses.outcomes.published import BANDS
from courses.science.binomial import share_of
from courses.science.errors import InvalidInput


def test_com_01_hypertrophic_scars():
    # Published: Kirby 2016, JCAD 9(5):43, 3 of 1041; the exact interval is derived.
    share = share_of(3, cases=1041)

    assert share.rate * 100 == pytest.approx(0.288, abs=0.01)
    assert share.low * 100 == pytest.approx(0.06, abs=0.01)
    assert share.high * 100 == pytest.approx(0.84, abs=0.01)


def test_no_keloid_in_1041():
    # Published: Kirby 2016, 0 of 1041; derived: upper end 0.35 %.
    share = share_of(0, cases=1041)

    assert share.low == 0
    assert share.high * 100 == pytest.approx(0.35, abs=0.01)


@pytest.mark.parametrize(
    ("events", "cases", "rate", "low", "high"),
    [
        # COM-03. Published: brow tattoos 2021, immediate grey in 18 of 98.
        (18, 98, 18.4, 11.3, 27.5),
        # Published: the same series, 28 of 98 did not finish.
        (28, 98, 28.6, 19.9, 38.6),
    ],
)
def test_com_03_exact_intervals_of_the_brow_series(events, cases, rate, low, high):
    share = share_of(events, cases=cases)

    assert share.rate * 100 == pytest.approx(rate, abs=0.1)
    assert share.low * 100 == pytest.approx(low, abs=0.1)
    assert share.high * 100 == pytest.approx(high, abs=0.1)


@given(data=st.data(), cases=st.integers(1, 500), level=st.sampled_from([0.8, 0.95, 0.99]))
def test_intervals_agree_with_two_libraries(data, cases, level):
    # Oracles: scipy.stats.binomtest and statsmodels proportion_confint(method="beta").
    events = data.draw(st.integers(0, cases))
    share = share_of(events, cases=cases, level=level)
    exact = binomtest(events, cases).proportion_ci(confidence_level=level, method="exact")
    low, high = proportion_confint(events, cases, alpha=1 - level, method="beta")

    assert (share.low, share.high) == pytest.approx((exact.low, exact.high), abs=1e-7)
    assert (share.low, share.high) == pytest.approx((low, high), abs=1e-9)
    assert share.low <= share.rate <= share.high


def test_no_cases_say_nothing():
    share = share_of(0, cases=0)

    assert (share.low, share.high) == (0, 1)
    with pytest.raises(InvalidInput):
        share_of(2, cases=1)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # COM-05. Published: 755 nm, skin type V, n = 100, PMID 20964571.
        ("pigment-loss-755-type-v", 0.29, 0.29),
        ("hyperpigmentation-755-type-v", 0.38, 0.38),
        # COM-06. Published: Kang 2017, 532 nm on brown spots.
        ("hyperpigmentation-532", 0.203, 0.203),
        # Published: Thai programmes 2012.
        ("hyperpigmentation-1064", 0.03, 0.088),
        # Published: Brazilian series n = 304, the upper end.
        ("pigment-loss-1064", 0.0, 0.3355),
        # Secondary account: Au 2015.
        ("blister-755", 0.32, 0.32),
    ],
)
def test_com_05_and_06_published_rates(name, low, high):
    band = next(band for band in BANDS if band.id == f"reaction.{name}")

    assert (band.low, band.high) == (low, high)
    assert band.source


def test_every_band_has_a_source_and_is_a_band():
    assert len({band.id for band in BANDS}) == len(BANDS)
    for band in BANDS:
        assert 0 <= band.low <= band.high <= 1
        assert band.source
        assert band.setting
