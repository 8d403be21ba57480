"""Calibration against public survival data, other libraries and simulated truth."""

import math

import numpy as np
import pandas as pd
import pytest
from lifelines import LogNormalFitter
from lifelines.statistics import logrank_test
from scipy import optimize, stats
from statsmodels.duration.hazard_regression import PHReg
from statsmodels.duration.survfunc import SurvfuncRight

from courses.calibration.records import Outcome
from courses.calibration.refit import Family, _bounds, _fit, refit
from courses.calibration.report import calibrate, coverage_of
from courses.calibration.survival import survival_curve
from tests.support.calibration_cases import drawn_courses

# Published: Freireich 1963, Blood 21:699-716, remission of leukaemia in weeks (public data set).
TREATED = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_survival_routine_on_the_remission_trial():
    # Derived: product-limit values; standard errors at both ends.
    curve = survival_curve(TREATED, done=[bool(event) for event in RELAPSED])

    values = {step.time: step.not_done for step in curve.steps}
    expected = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    assert values == pytest.approx(expected, abs=1e-4)
    errors = {step.time: step.standard_error for step in curve.steps}
    assert errors[6] == pytest.approx(0.0764, abs=1e-4)
    assert errors[23] == pytest.approx(0.1346, abs=1e-4)
    assert curve.median == 23


def test_survival_routine_agrees_with_statsmodels():
    # Oracle: statsmodels.duration.survfunc.SurvfuncRight.
    curve = survival_curve(TREATED, done=[bool(event) for event in RELAPSED])
    oracle = SurvfuncRight(TREATED, RELAPSED)

    pairs = zip(oracle.surv_prob, oracle.surv_prob_se, strict=True)
    by_time = dict(zip(oracle.surv_times, pairs, strict=True))
    for step in curve.steps:
        assert (step.not_done, step.standard_error) == pytest.approx(by_time[step.time], abs=1e-9)


def test_the_survival_library_gives_the_published_comparison():
    # Derived: log-rank O = 9, E = 19.2505, chi2 = 16.793. From memory: Cox coefficient 1.509 with
    # Breslow's ties (oracle: statsmodels).
    result = logrank_test(TREATED, CONTROL, RELAPSED, [1] * len(CONTROL))
    model = PHReg(
        np.array(TREATED + CONTROL),
        np.array([0] * len(TREATED) + [1] * len(CONTROL))[:, None],
        status=np.array(RELAPSED + [1] * len(CONTROL)),
        ties="breslow",
    ).fit()

    assert result.test_statistic == pytest.approx(16.793, abs=0.001)
    assert model.params[0] == pytest.approx(1.509, abs=0.001)
    assert math.exp(model.params[0]) == pytest.approx(4.52, abs=0.01)


def test_coverage_without_censoring_is_a_plain_share():
    # Oracle: scipy.stats.binomtest (exact interval) on courses that all reached their goal.
    records = [r for r in drawn_courses(400, seed=3) if r.outcome is Outcome.REACHED]
    inside = sum(r.p10 <= r.sessions_done <= r.p90 for r in records)
    oracle = stats.binomtest(inside, len(records)).proportion_ci(method="exact")

    coverage = coverage_of(records)

    assert coverage.allowing == pytest.approx(inside / len(records), abs=1e-9)
    assert coverage.within.low == pytest.approx(oracle.low, abs=1e-9)
    assert coverage.within.high == pytest.approx(oracle.high, abs=1e-9)
    plain_error = math.sqrt(coverage.allowing * (1 - coverage.allowing) / len(records))
    assert coverage.allowing_error == pytest.approx(plain_error, rel=1e-6)


@pytest.mark.parametrize("follow_up", [10, 14, 20])
def test_coverage_allows_for_courses_still_running(follow_up):
    # Derived: simulated from the prior itself. Whole sessions make the band somewhat wider than
    # 80 %; what full follow-up shows is the truth to find again under censoring.
    truth = coverage_of(drawn_courses(4000, follow_up=10**6, seed=9)).within.rate

    coverage = coverage_of(drawn_courses(4000, follow_up=follow_up, seed=10))

    assert 0.80 < truth < 0.90
    assert coverage.allowing == pytest.approx(truth, abs=3 * coverage.allowing_error + 0.01)


@pytest.mark.parametrize(("multiplier", "follow_up"), [(0.51, 30), (0.8, 10), (1.0, 10)])
def test_refit_finds_the_multiplier_behind_censored_courses(multiplier, follow_up):
    # Derived: simulated truth; 0.51 is the ratio of J Cosmet Dermatol 2024;23:818-823.
    records = drawn_courses(400, multiplier=multiplier, follow_up=follow_up, leaving=0.02, seed=2)

    fitted = refit(records)

    normal = next(fit for fit in fitted.fits if fit.family is Family.LOG_NORMAL)
    assert normal.multiplier == pytest.approx(multiplier, rel=0.04)
    assert normal.coefficient_of_variation == pytest.approx(0.24, abs=0.04)
    assert normal.multiplier_low < normal.multiplier < normal.multiplier_high
    assert fitted.slope.value == pytest.approx(1, abs=0.15)


def test_refit_agrees_with_a_likelihood_maximised_by_scipy():
    # Oracle: scipy.optimize on the interval-censored log-normal likelihood of scipy.stats.
    records = drawn_courses(150, multiplier=0.7, follow_up=10, seed=6)
    score = np.array([r.score for r in records])
    done = np.array([r.sessions_done for r in records])
    reached = np.array([r.reached for r in records])
    low = np.where(reached, done - 0.5, done + 0.5) / score
    high = np.where(reached, done + 0.5, np.inf) / score

    def loss(at):
        law = stats.lognorm(s=math.exp(at[1]), scale=math.exp(at[0]))
        return -np.log(law.cdf(high) - law.cdf(low)).sum()

    best = optimize.minimize(loss, [0.0, -1.0], method="Nelder-Mead", options={"xatol": 1e-8})
    mu, sigma = best.x[0], math.exp(best.x[1])

    fit = next(f for f in refit(records).fits if f.family is Family.LOG_NORMAL)
    assert fit.multiplier == pytest.approx(math.exp(mu + sigma**2 / 2), rel=1e-4)
    assert fit.coefficient_of_variation == pytest.approx(math.sqrt(math.expm1(sigma**2)), rel=1e-3)
    assert fit.aic == pytest.approx(2 * best.fun + 4, rel=1e-5)


def test_interval_of_the_multiplier_holds_the_truth_about_95_times_in_100():
    # Derived: 15 simulated chains of 60 courses; 11 or fewer would have a chance below 1 %.
    held = 0
    for seed in range(15):
        low, high = interval(drawn_courses(60, multiplier=0.8, follow_up=14, seed=seed))
        held += low <= 0.8 <= high

    assert held > 11


def interval(records):
    """The log-normal interval alone, to spare the time of the other fits."""
    low, high = _bounds(records)
    score = np.array([r.score for r in records])
    fit = _fit(Family.LOG_NORMAL, low=low / score, high=high / score)
    return fit.multiplier_low, fit.multiplier_high


def test_naive_means_would_mislead():
    # Control: the mean of finished courses alone is too low where follow-up is short.
    records = drawn_courses(300, multiplier=1.0, follow_up=10, seed=2)

    report = calibrate(records)

    assert report.accuracy.ratio < 0.9
    assert report.refit.proposed.multiplier == pytest.approx(1.0, abs=0.06)


def test_a_log_normal_fit_is_what_lifelines_gives():
    # Oracle: lifelines on exact times agrees with the plain mean and deviation of the logs.
    logs = np.random.default_rng(1).normal(0.3, 0.2, 500)
    fitted = LogNormalFitter().fit(pd.Series(np.exp(logs)))

    assert fitted.mu_ == pytest.approx(logs.mean(), abs=1e-4)
    assert fitted.sigma_ == pytest.approx(logs.std(), abs=1e-3)
