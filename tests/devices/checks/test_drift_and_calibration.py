"""The trend of checks, when it leaves the tolerance, and calibration as FHIR DeviceMetric."""

from datetime import datetime, timedelta

import pytest
from fhir.resources.devicemetric import DeviceMetric
from hypothesis import given
from hypothesis import strategies as st

from devices.metrology.drift import leaves_tolerance, theil_sen
from devices.metrology.errors import InvalidQuantity
from tests.support.api import queries_of
from tests.support.devices import make_fitted_handpiece, make_lock_out
from tests.support.factories import now
from tests.support.upkeep import make_check

DAY = timedelta(days=1)

values = st.floats(-0.19, 0.19, allow_nan=False)
points = st.lists(values, min_size=3, max_size=25)


def test_a_straight_decline_leaves_on_the_day_it_reaches_the_edge():
    days = list(range(0, 100, 10))
    trend = theil_sen(days, [-0.001 * day for day in days])
    assert trend.slope == pytest.approx(-0.001)
    leaves = leaves_tolerance(trend, tolerance=0.2, since=95)
    assert leaves.day == pytest.approx(200)
    assert (leaves.earliest, leaves.latest) == (pytest.approx(200), pytest.approx(200))


def test_one_wild_check_moves_nothing():
    days = list(range(0, 100, 10))
    line = [-0.001 * day for day in days]
    line[4] = 0.19
    assert theil_sen(days, line).slope == pytest.approx(-0.001, rel=0.1)


def test_steady_output_never_leaves_and_too_few_checks_have_no_trend():
    leaves = leaves_tolerance(theil_sen([0, 1, 2], [0.01] * 3), tolerance=0.2, since=2)
    assert (leaves.day, leaves.earliest, leaves.latest) == (None, None, None)
    for days in ([0, 1], [3, 3, 3]):
        with pytest.raises(InvalidQuantity):
            theil_sen(days, [0.0] * len(days))


def test_already_outside_leaves_now():
    trend = theil_sen([0, 10, 20], [0.1, 0.2, 0.3])
    leaves = leaves_tolerance(trend, tolerance=0.2, since=25)
    assert (leaves.day, leaves.earliest, leaves.latest) == (25, 25, 25)


@given(points)
def test_the_slope_lies_in_its_interval_and_turns_with_the_sign(line):
    days = [float(n) for n in range(len(line))]
    trend = theil_sen(days, line)
    assert trend.low <= trend.slope <= trend.high
    turned = theil_sen(days, [-value for value in line])
    assert turned.slope == pytest.approx(-trend.slope, abs=1e-12)


@given(points, st.floats(0.01, 0.2))
def test_the_day_of_leaving_is_never_past_and_lies_in_its_interval(line, tolerance):
    trend = theil_sen([float(n) for n in range(len(line))], line)
    leaves = leaves_tolerance(trend, tolerance=tolerance, since=float(len(line)))
    for day in (leaves.day, leaves.earliest, leaves.latest):
        assert day is None or day >= len(line)
    if leaves.day is not None:
        assert leaves.earliest <= leaves.day
        assert leaves.latest is None or leaves.day <= leaves.latest


def decline(bench, *, each, count=8, days=10, **fields):
    for number in range(count):
        make_check(
            bench.laser,
            bench.tip,
            line=bench.infrared,
            meter=bench.meter,
            checked_at=now() - (count - 1 - number) * days * DAY,
            deviation=number * each,
            **fields,
        )


@pytest.mark.django_db
def test_the_laser_shows_each_trend_with_the_date_it_leads_out(bench):
    decline(bench, each=-0.02)
    (shown,) = bench.operator.get(f"/lasers/{bench.laser.pk}/drift").json()["drifts"]
    assert shown["wavelength_nm"] == 1064
    assert shown["slope_per_day"] == pytest.approx(-0.002, rel=1e-3)
    left = datetime.fromisoformat(shown["leaves_at"]) - now()
    assert left / DAY == pytest.approx(30, abs=0.1)
    assert len(shown["checks"]) == 8
    since = (now() - 15 * DAY).isoformat()
    (short,) = bench.operator.get(f"/lasers/{bench.laser.pk}/drift", since=since).json()["drifts"]
    assert (short["slope_per_day"], short["leaves_at"]) == (None, None)
    assert "3 checks" in short["why"]


@pytest.mark.django_db
def test_as_many_queries_for_many_checks_as_for_few(bench):
    decline(bench, each=0.001, count=3)
    paths = [f"/lasers/{bench.laser.pk}/{name}" for name in ("drift", "device-metrics")]
    few = [queries_of(bench.operator, path) for path in paths]
    few.append(queries_of(bench.operator, "/energy-checks"))
    decline(bench, each=0.001, count=12)
    make_fitted_handpiece(bench.laser)
    assert [queries_of(bench.operator, path) for path in (*paths, "/energy-checks")] == few


def metrics(bench):
    shown = bench.operator.get(f"/lasers/{bench.laser.pk}/device-metrics").json()["metrics"]
    for one in shown:
        valid = DeviceMetric.model_validate(one["metric"])
        for calibration in valid.calibration:
            known = DeviceMetric.model_fields["calibration"]
            assert known is not None
            assert calibration.state in {
                "not-calibrated",
                "calibration-required",
                "calibrated",
                "unspecified",
            }
            assert calibration.type in {"unspecified", "offset", "gain", "two-point"}
        assert valid.operationalStatus in {"on", "off", "standby", "entered-in-error"}
        assert valid.category == "setting"
    return {
        (one["line"], one["handpiece"]): one["metric"]["calibration"][0] for one in shown
    }, shown


@pytest.mark.django_db
def test_calibration_in_the_words_of_device_metric(bench):
    key = (bench.infrared.pk, bench.tip.pk)
    states, _ = metrics(bench)
    assert {one["state"] for one in states.values()} == {"not-calibrated"}
    make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now() - 40 * DAY)
    assert metrics(bench)[0][key]["state"] == "calibration-required"
    make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now() - 2 * DAY)
    assert metrics(bench)[0][key] | {"time": ""} == {
        "state": "calibrated",
        "type": "gain",
        "time": "",
    }
    make_check(
        bench.laser, bench.tip, line=bench.infrared, checked_at=now() - DAY, set_energy_j=0.2
    )
    assert metrics(bench)[0][key]["type"] == "two-point"
    make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now(), deviation=-0.3)
    assert metrics(bench)[0][key]["state"] == "calibration-required"
    assert metrics(bench)[0][bench.green.pk, bench.tip.pk]["state"] == "not-calibrated"


@pytest.mark.django_db
def test_a_laser_locked_out_stands_by(bench):
    make_check(bench.laser, bench.tip, line=bench.infrared, checked_at=now())
    make_lock_out(bench.laser)
    states, shown = metrics(bench)
    assert {one["metric"]["operationalStatus"] for one in shown} == {"standby"}
    assert states[bench.infrared.pk, bench.tip.pk]["state"] == "calibration-required"
