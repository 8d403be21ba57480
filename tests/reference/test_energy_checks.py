"""Energy checks against published rules and a general-purpose library.

Sources: the 20 % rule: 21 CFR 1040.11(a) and IEC 60601-2-22:2019 (rows LG1); fluence with the
square of the diameter: textbook optics (row LG2 and the worked sums beside it); three readings or
more: common practice; the trend: Theil 1950 and Sen 1968 (J Am Stat Assoc 63:1379), with
`scipy.stats.theilslopes` as an independent oracle; calibration: HL7 FHIR R5 DeviceMetric, with
the code sets that `fhir.resources` carries.
"""

import numpy as np
import pytest
from fhir.resources.devicemetric import DeviceMetric, DeviceMetricCalibration
from scipy.stats import theilslopes

from devices.metrology.drift import CONFIDENCE, theil_sen
from devices.metrology.readings import check_readings
from devices.vocabulary import CalibrationState, CalibrationType


@pytest.mark.parametrize(
    ("measured_mj", "passed"), [(400, True), (600, True), (399.9, False), (600.1, False)]
)
def test_lg1_500_mj_passes_from_400_to_600(measured_mj, passed):
    found = check_readings([measured_mj / 1000] * 3, set_energy_j=0.5, spot_mm=3)
    assert found.passed is passed
    assert found.tolerance == 0.2


@pytest.mark.parametrize(("small", "more"), [(0.05, 0.1080), (0.10, 0.2346)])
def test_lg2_a_small_spot_raises_the_fluence(small, more):
    found = check_readings([0.5] * 3, set_energy_j=0.5, spot_mm=4, spot_measured_mm=4 * (1 - small))
    assert found.fluence_change_of_spot == pytest.approx(more, abs=5e-5)
    assert found.passed


def test_energy_20_percent_high_with_a_spot_5_percent_small_is_33_percent_more_fluence():
    """Exact arithmetic: 1.2 / 0.95^2 = 1.3296. The energy passes; the fluence is warned of."""
    found = check_readings([0.6] * 3, set_energy_j=0.5, spot_mm=4, spot_measured_mm=3.8)
    assert found.fluence_change == pytest.approx(0.3296, abs=5e-5)
    assert (found.passed, found.fluence_within) == (True, False)
    assert found.fluence_j_cm2 / found.fluence_set_j_cm2 == pytest.approx(1.3296, abs=5e-5)


def test_mean_and_deviation_of_the_readings():
    """Textbook statistics: sample standard deviation of 490, 500, 510 is 10."""
    found = check_readings([0.49, 0.5, 0.51], set_energy_j=0.5, spot_mm=3)
    assert (found.mean_j, found.spread_j) == (pytest.approx(0.5), pytest.approx(0.01))


@pytest.mark.parametrize("seed", range(40))
def test_the_trend_is_that_of_scipy(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 40))
    days = np.sort(rng.integers(0, 400, count)).astype(float)  # with ties, as real checks have
    days[-1] += 1
    values = rng.normal(0, 0.05, count) - 0.0004 * days
    if seed % 3 == 0:
        values = np.round(values, 2)
    mine = theil_sen(days.tolist(), values.tolist())
    theirs = theilslopes(values, days, alpha=CONFIDENCE)
    assert mine.slope == pytest.approx(theirs.slope, abs=1e-12)
    assert mine.intercept == pytest.approx(theirs.intercept, abs=1e-12)
    assert mine.low == pytest.approx(theirs.low_slope, abs=1e-12)
    assert mine.high == pytest.approx(theirs.high_slope, abs=1e-12)


def test_sen_1968_worked_example():
    """Sen 1968, section 6: t = 1, 2, 3, 4, 10, 12, 18 and X = 9, 15, 19, 20, 45, 55, 78 give the
    slope 4. (Numbers from memory; the sum is redone by hand: the median of 21 slopes is 4.)
    """
    found = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], confidence=0.93)
    assert found.slope == pytest.approx(4.0)
    assert found.low == pytest.approx(26 / 7)
    assert found.high == pytest.approx(35 / 8)


def codes_of(model, name):
    extra = model.model_fields[name].json_schema_extra
    return set(extra["enum_values"])


def test_the_codes_of_device_metric_are_the_standards():
    assert codes_of(DeviceMetricCalibration, "state") == {code.value for code in CalibrationState}
    assert codes_of(DeviceMetricCalibration, "type") == {code.value for code in CalibrationType}
    assert {"on", "off", "standby", "entered-in-error"} == codes_of(
        DeviceMetric, "operationalStatus"
    )
    assert "setting" in codes_of(DeviceMetric, "category")
