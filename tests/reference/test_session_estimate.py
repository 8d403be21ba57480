"""The session estimate and its second view against published figures.

Sources stand beside each check; "published" was read in the source, "derived" is arithmetic on
it, "secondary" comes from an account of the paper.
"""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from courses.science.estimate.answer import estimate
from courses.science.estimate.cohort import (
    BY_10,
    BY_15,
    COHORT,
    HAZARD_RATIO,
    CohortFactor,
    cohort_view,
    weibull_through,
)
from courses.science.estimate.plan import span_days
from courses.science.estimate.prior import (
    COEFFICIENT_OF_VARIATION,
    PUBLISHED_PRIOR,
    SCORE_SD,
    PriorSettings,
    palpable_extra,
    prior_of,
)
from courses.science.fading.model import LOG_CLEAR, table_prior
from courses.science.kirby_desai import Parameter, score_points
from courses.vocabulary import BodySite, InkAmount, Scarring, SkinType
from tests.support.estimates import request


def scale(total, *, multiplier=1.0):
    """A score of `total` points, 6 to 17, whatever the levels."""
    points = {
        Parameter.SKIN_TYPE: min(6, total - 3),
        Parameter.LOCATION: 1 + max(0, min(4, total - 9)),
        Parameter.COLOUR: 1 + max(0, min(3, total - 13)),
        Parameter.INK_AMOUNT: 1,
        Parameter.SCARRING: 0,
        Parameter.LAYERING: 0,
    }
    result = score_points(points, multiplier=multiplier)
    assert result.total == total
    return result


def prior(total, *, settings=PUBLISHED_PRIOR):
    scored = scale(total, multiplier=settings.multiplier)
    return prior_of(scored, extra=palpable_extra(scored, palpable=False), settings=settings)


def test_spread_gives_back_the_published_correlation_and_error():
    # Published: Kirby 2009, r = 0.757. Secondary: error of about 2.5 sessions. Published: mean
    # score 9.9 (J Cosmet Dermatol 2024;23:818-823). Derived: deviation of the scores 2.9.
    rng = np.random.default_rng(3)
    scores = rng.normal(9.9, SCORE_SD, 400_000)
    sessions = scores * (1 + COEFFICIENT_OF_VARIATION * rng.standard_normal(scores.size))

    assert np.corrcoef(scores, sessions)[0, 1] == pytest.approx(0.757, abs=0.002)
    assert np.sqrt(np.mean((sessions - scores) ** 2)) == pytest.approx(2.5, abs=0.01)
    assert pytest.approx(2.9, abs=0.01) == SCORE_SD


@pytest.mark.parametrize("total", [6, 9, 12, 16])
def test_the_prior_has_the_mean_of_the_scale_and_the_derived_spread(total):
    # Published use: sessions = score. Oracle: scipy.stats.lognorm. Half a session below, because
    # whole sessions are counted up.
    of = prior(total)
    need = stats.lognorm(s=of.log_sd, scale=math.exp(of.log_sessions))

    assert need.mean() == pytest.approx(total - 0.5, abs=1e-9)
    assert need.std() / need.mean() == pytest.approx(COEFFICIENT_OF_VARIATION, abs=1e-9)
    counted = sum(1 - need.cdf(n) for n in range(80))
    assert counted == pytest.approx(total, abs=0.02)


def test_estimate_without_grades_is_the_prior():
    # Oracle: scipy.stats.lognorm, against the grid of the fading model.
    answer = estimate(request())
    of = prior(8)
    need = stats.lognorm(s=of.log_sd, scale=math.exp(of.log_sessions))

    for step in answer.done_by:
        assert step.probability == pytest.approx(need.cdf(step.session), abs=1e-4)


def test_kd_11_the_2024_cohort_lies_within_the_estimate_at_its_multiplier():
    # Published: J Cosmet Dermatol 2024;23:818-823, n = 11, mean 5.09 sessions, range 3 to 8, mean
    # score 9.9. Derived: multiplier 0.514; 11 draws stay within 3 to 8 more often than not.
    settings = PriorSettings(multiplier=5.09 / 9.9)
    of = prior(10, settings=settings)
    need = stats.lognorm(s=of.log_sd, scale=math.exp(of.log_sessions))

    assert settings.multiplier == pytest.approx(0.514, abs=0.001)
    assert need.cdf(8) - need.cdf(2) > 0.9
    assert need.mean() + 0.5 == pytest.approx(5.14, abs=0.01)


def test_scale_and_fading_table_tell_the_same_story():
    # Derived: fading of 0.15 to 0.45 per session (published series) has its median where the
    # scale has its mean score, and the spread of sessions of the scale's own cohort.
    table = table_prior(amateur=False)

    assert table.median_sessions == pytest.approx(9.9, abs=0.4)
    sessions_sd = SCORE_SD / 0.757
    log_sd = math.sqrt(math.log1p((sessions_sd / 9.9) ** 2))
    assert table.log_sd == pytest.approx(log_sd, abs=0.03)
    assert -math.expm1(-LOG_CLEAR / 9.9) == pytest.approx(0.26, abs=0.005)


def test_ben_01_to_03_weibull_through_the_published_points():
    # Published: Bencini 2012, Arch Dermatol 148:1364: 47.2 % by 10, 74.8 % by 15. Derived: shape
    # 1.8972, scale 12.666, median 10.44. Oracle: scipy.stats.weibull_min.
    assert COHORT.shape == pytest.approx(1.8972, abs=1e-4)
    assert COHORT.scale == pytest.approx(12.666, abs=1e-3)
    oracle = stats.weibull_min(1.8972, scale=12.666)
    for n, share in ((10, 0.472), (15, 0.748)):
        assert COHORT.by(n) == pytest.approx(share, abs=0.0005)
        assert oracle.cdf(n) == pytest.approx(share, abs=0.0005)
    assert COHORT.quantile(0.5) == pytest.approx(10.44, abs=0.01)
    for n, share in ((5, 0.158), (8, 0.342), (12, 0.594), (20, 0.907)):
        assert COHORT.by(n) == pytest.approx(share, abs=0.0005)
    for share, n in ((0.25, 6.57), (0.75, 15.05), (0.90, 19.66)):
        assert COHORT.quantile(share) == pytest.approx(n, abs=0.01)


def test_two_points_fix_the_weibull():
    # Oracle: scipy root finding on the scale for a given shape.
    fitted = weibull_through((4, 0.2), (9, 0.6))
    scale = brentq(lambda s: stats.weibull_min(fitted.shape, scale=s).cdf(4) - 0.2, 1, 50)

    assert fitted.scale == pytest.approx(scale, rel=1e-9)
    assert fitted.by(9) == pytest.approx(0.6, abs=1e-12)


def test_ben_08_and_09_inside_the_published_intervals():
    # Published: 95 % intervals 41.8-52.5 and 68.9-80.7.
    view = cohort_view()

    assert 0.418 < view.by_10 < 0.525
    assert 0.689 < view.by_15 < 0.807


def test_ben_11_black_only_and_black_with_red():
    # Secondary (press): 58 % and 51 % by 10 sessions. Derived: hazard ratio 1.358 for black.
    assert cohort_view([CohortFactor.BLACK_ONLY]).by_10 == pytest.approx(0.58, abs=1e-9)
    assert cohort_view([CohortFactor.BLACK_AND_RED]).by_10 == pytest.approx(0.51, abs=1e-9)
    assert HAZARD_RATIO[CohortFactor.BLACK_ONLY] == pytest.approx(1.358, abs=0.001)


@pytest.mark.parametrize(
    ("factor", "as_risk", "as_hazard", "as_odds"),
    [
        (CohortFactor.SMOKER, 0.143, 0.176, 0.213),
        (CohortFactor.OTHER_COLOURS, 0.097, 0.123, 0.155),
    ],
)
def test_the_reading_of_a_ratio_of_unknown_measure_lies_between(
    factor, as_risk, as_hazard, as_odds
):
    # Secondary (medical news): chance by 10 sessions lower by 69.7 % and 79.5 %. Derived: three
    # readings on the 47.2 % baseline.
    ratio = HAZARD_RATIO[factor]
    odds = ratio * BY_10 / (1 - BY_10)

    assert cohort_view([factor]).by_10 == pytest.approx(as_hazard, abs=0.0006)
    assert ratio * BY_10 == pytest.approx(as_risk, abs=0.0006)
    assert odds / (1 + odds) == pytest.approx(as_odds, abs=0.0006)
    assert as_risk < as_hazard < as_odds


@pytest.mark.parametrize(
    "factor",
    [
        CohortFactor.SMOKER,
        CohortFactor.OTHER_COLOURS,
        CohortFactor.OVER_30_CM2,
        CohortFactor.LEG_OR_FOOT,
        CohortFactor.OVER_36_MONTHS,
        CohortFactor.DENSE_COLOUR,
        CohortFactor.INTERVAL_8_WEEKS_OR_LESS,
        CohortFactor.DARKENED,
    ],
)
@pytest.mark.parametrize("beside", [[], [CohortFactor.BLACK_ONLY]])
def test_ben_12_adverse_factors_lower_success(factor, beside):
    # Published (abstract): each went with a poorer result.
    with_it, without = cohort_view([factor, *beside]), cohort_view(beside)

    assert all(a < b for a, b in zip(with_it.done_within[1:], without.done_within[1:], strict=True))


def test_the_hazard_of_success_rises_as_published():
    # Derived: average hazard 6.2 % per session over 1-10, 13.8 % over 11-15; conditional success
    # in 11-15 52.3 %.
    after_10 = cohort_view(done=10)
    assert pytest.approx(0.062, abs=0.0005) == 1 - (1 - BY_10) ** (1 / 10)
    assert 1 - (1 - after_10.done_within[5]) ** (1 / 5) == pytest.approx(0.138, abs=0.0005)
    assert after_10.done_within[5] == pytest.approx(0.523, abs=0.001)
    assert after_10.done_within[5] == pytest.approx((BY_15 - BY_10) / (1 - BY_10), abs=1e-9)


def test_int_01_and_03_weeks_of_a_course():
    # Derived: 8 sessions at 6, 8 and 12 weeks take 42, 56 and 84 weeks; one session takes none.
    weeks = [span_days(8, interval_days=days) / 7 for days in (42, 56, 84)]

    assert weeks == [42, 56, 84]
    assert span_days(1, interval_days=42) == 0


@pytest.mark.parametrize(
    ("changes", "low", "high"),
    [
        # Published: Alster 1995, 18 amateur tattoos clear in 4.6 sessions.
        ({"ink_amount": InkAmount.AMATEUR, "site": BodySite.UPPER_ARM}, 4, 9),
        # Published: Fitzpatrick & Goldman 1994, above 95 % in a mean of 8.9 sessions.
        ({"ink_amount": InkAmount.MODERATE, "site": BodySite.UPPER_ARM}, 8, 11),
        # Derived: the far end of the scale is beyond any published series.
        (
            {
                "skin_type": SkinType.VI,
                "site": BodySite.FOOT,
                "ink_amount": InkAmount.SIGNIFICANT,
                "scarring": Scarring.SIGNIFICANT,
                "layered": True,
            },
            20,
            25,
        ),
    ],
)
def test_medians_stand_beside_published_series(changes, low, high):
    assert low <= estimate(request(**changes)).total.p50 <= high
