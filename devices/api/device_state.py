"""What energy checks say of a laser: the trend of each line, calibration as FHIR DeviceMetric."""

from datetime import datetime, timedelta
from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Chain
from core.api.fields import AwareDateTimeField
from core.api.filters import parsed_query
from core.api.serializers import BasisOut, ComputedOut
from core.api.views import FallowView
from core.api.viewsets import RetrieveMixin
from core.vocabulary import DeviceStatus, choices
from devices.api.computed import CAUTION
from devices.api.energy_checks import TOLERANCE_BASIS
from devices.metrology.drift import CONFIDENCE
from devices.models import Laser
from devices.policy import SWITCHES, VALUES, DevicePolicy, device_policy_of
from devices.selectors import lock_out_at
from devices.selectors.checks import Calibration, Drift, calibrations, drifts
from devices.vocabulary import CalibrationState, CalibrationType

Json = dict[str, Any]
LOOK_BACK: Final = timedelta(days=730)
UCUM: Final = "http://unitsofmeasure.org"
TREND: Final = {
    "id": "theil-sen-drift",
    "version": "1",
    "source": "Theil 1950; Sen 1968, J Am Stat Assoc 63:1379: median of pairwise slopes, its "
    "interval by Kendall's statistic; the line through the medians",
    "kind": "published",
}
METRIC: Final = {
    "id": "device-metric",
    "version": "1",
    "source": "HL7 FHIR R5 DeviceMetric; a passing check counts for the policy's days; one setting "
    "tells the gain, several two points",
    "kind": "common_practice",
}


class DriftQuery(serializers.Serializer[Any]):
    """From when on checks count, such as since the last service."""

    since = AwareDateTimeField(required=False, help_text="Checks from then on; else of two years")


class DriftPointOut(serializers.Serializer[Any]):
    """One check of the trend."""

    energy_check = serializers.IntegerField(source="pk")
    checked_at = AwareDateTimeField()
    deviation = serializers.FloatField()
    passed = serializers.BooleanField()


class LineDriftOut(serializers.Serializer[Any]):
    """The trend of a line through a handpiece; instants are null when it does not lead out."""

    line = serializers.IntegerField()
    wavelength_nm = serializers.IntegerField()
    handpiece = serializers.IntegerField()
    checks = DriftPointOut(many=True)
    slope_per_day = serializers.FloatField(
        allow_null=True, help_text="Change of the deviation, a fraction of the setting, a day"
    )
    slope_low = serializers.FloatField(allow_null=True)
    slope_high = serializers.FloatField(allow_null=True)
    deviation_now = serializers.FloatField(allow_null=True, help_text="On the line, now")
    leaves_at = AwareDateTimeField(allow_null=True, help_text="When it leaves the tolerance")
    earliest_at = AwareDateTimeField(allow_null=True)
    latest_at = AwareDateTimeField(allow_null=True, help_text="Null: it may as well never leave")
    why = serializers.CharField(allow_blank=True, help_text="What a trend is missing")


class LaserDriftOut(ComputedOut):
    """The trends of a laser's lines."""

    laser = serializers.IntegerField()
    tolerance = serializers.FloatField()
    confidence = serializers.FloatField(help_text="Of the intervals")
    since = AwareDateTimeField()
    drifts = LineDriftOut(many=True)


class MetricCalibrationOut(serializers.Serializer[Any]):
    """FHIR DeviceMetric.calibration."""

    type = serializers.ChoiceField(choices=choices(CalibrationType))
    state = serializers.ChoiceField(choices=choices(CalibrationState))
    time = AwareDateTimeField(required=False)


class DeviceMetricOut(serializers.Serializer[Any]):
    """An HL7 FHIR R5 DeviceMetric: the energy of one line through one handpiece."""

    resourceType = serializers.CharField()  # noqa: N815 - the standard's name
    id = serializers.CharField()
    type = serializers.DictField()
    unit = serializers.DictField()
    device = serializers.DictField()
    operationalStatus = serializers.CharField()  # noqa: N815 - the standard's name
    category = serializers.CharField()
    calibration = MetricCalibrationOut(many=True)


class MetricStandingOut(serializers.Serializer[Any]):
    """A DeviceMetric and the rows it stands for."""

    line = serializers.IntegerField()
    handpiece = serializers.IntegerField()
    energy_check = serializers.IntegerField(allow_null=True, help_text="The last one")
    check_due_at = AwareDateTimeField(allow_null=True)
    metric = DeviceMetricOut()


class DeviceMetricsOut(ComputedOut):
    """How each line through each handpiece on a laser stands."""

    laser = serializers.IntegerField()
    metrics = MetricStandingOut(many=True)


class LaserDriftViewSet(RetrieveMixin):
    """Trends of a laser's energy checks."""

    http_method_names = ["get", "head", "options"]
    queryset = Laser.objects.select_related("chain")
    serializer_class = LaserDriftOut
    policy = {"retrieve": "device.read"}
    extra_query_params = ("since",)

    @extend_schema(
        parameters=[DriftQuery],
        responses=LaserDriftOut,
    )
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """The robust trend of each line and handpiece, and when it will leave the tolerance."""
        now = self.now()
        laser: Laser = self.get_object()
        since = parsed_query(DriftQuery, request).get("since", now - LOOK_BACK)
        tolerance = device_policy_of(laser.chain.device_policy).tolerance
        found = drifts(laser, since=since, tolerance=tolerance, now=now)
        answer = {
            "laser": laser.pk,
            "tolerance": tolerance,
            "confidence": CONFIDENCE,
            "since": since,
            "drifts": [_drift(one, now=now) for one in found],
            "basis": [TREND, TOLERANCE_BASIS],
            "caution": CAUTION,
        }
        return self.show(LaserDriftOut, answer)


class DeviceMetricsViewSet(RetrieveMixin):
    """Calibration of a laser's lines as FHIR DeviceMetric."""

    http_method_names = ["get", "head", "options"]
    queryset = Laser.objects.select_related("chain")
    serializer_class = DeviceMetricsOut
    policy = {"retrieve": "device.read"}

    @extend_schema(responses=DeviceMetricsOut)
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """Each line through each handpiece on the laser, with the state of its calibration."""
        now = self.now()
        laser: Laser = self.get_object()
        policy = device_policy_of(laser.chain.device_policy)
        out = lock_out_at(laser=laser, at=now) is not None
        answer = {
            "laser": laser.pk,
            "metrics": [
                _standing(laser, one, locked_out=out)
                for one in calibrations(laser, policy=policy, now=now)
            ],
            "basis": [METRIC, TOLERANCE_BASIS],
            "caution": CAUTION,
        }
        return self.show(DeviceMetricsOut, answer)


class PolicyValueOut(serializers.Serializer[Any]):
    """One value of the policy, with its limits and where its default comes from."""

    name = serializers.CharField()
    value = serializers.JSONField()
    default = serializers.JSONField()
    least = serializers.FloatField(allow_null=True)
    most = serializers.FloatField(allow_null=True)
    unit = serializers.CharField(allow_blank=True)
    meaning = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class DevicePolicyOut(serializers.Serializer[Any]):
    """The policy in force on service and energy checks; the chain's own values are `/chain`'s."""

    values = PolicyValueOut(many=True)
    basis = BasisOut(many=True)
    caution = serializers.CharField()


class DevicePolicyView(FallowView):
    """What the chain decides about service and energy checks."""

    policy = {"get": "device.read"}

    @extend_schema(responses=DevicePolicyOut)
    def get(self, request: Request) -> Response:
        """Every value of the policy in force, with its default, limits and source."""
        chain = Chain.objects.visible_to(self.actor).get()
        held = device_policy_of(chain.device_policy)
        answer = {"values": _policy_rows(held), "basis": [TOLERANCE_BASIS], "caution": CAUTION}
        return self.show(DevicePolicyOut, answer)


def _policy_rows(held: DevicePolicy) -> list[Json]:
    numbers = [
        {
            "name": name,
            "value": getattr(held, name),
            "default": int(one.default) if one.whole else one.default,
            "least": one.least,
            "most": one.most,
            "unit": one.unit,
            "meaning": one.meaning,
            "source": one.source,
        }
        for name, one in VALUES.items()
    ]
    switches = [
        {
            "name": name,
            "value": sorted(value) if isinstance(value, frozenset) else value,
            "default": default,
            "least": None,
            "most": None,
            "unit": "",
            "meaning": meaning,
            "source": source,
        }
        for name, (default, meaning, source) in SWITCHES.items()
        for value in (getattr(held, name),)
    ]
    return [*numbers, *switches]


def _drift(one: Drift, *, now: datetime) -> Json:
    trend = one.trend
    days = (now - one.checks[0].checked_at) / timedelta(days=1)
    return {
        "line": one.line_id,
        "wavelength_nm": one.wavelength_nm,
        "handpiece": one.handpiece_id,
        "checks": one.checks,
        "slope_per_day": None if trend is None else trend.slope,
        "slope_low": None if trend is None else trend.low,
        "slope_high": None if trend is None else trend.high,
        "deviation_now": None if trend is None else trend.at(days),
        "leaves_at": one.leaves_at,
        "earliest_at": one.earliest_at,
        "latest_at": one.latest_at,
        "why": one.why,
    }


def _standing(laser: Laser, one: Calibration, *, locked_out: bool) -> Json:
    return {
        "line": one.line.pk,
        "handpiece": one.handpiece.pk,
        "energy_check": None if one.last is None else one.last.pk,
        "check_due_at": one.due_at,
        "metric": device_metric(laser, one, locked_out=locked_out),
    }


def device_metric(laser: Laser, one: Calibration, *, locked_out: bool) -> Json:
    """The state of a line as an HL7 FHIR R5 DeviceMetric, in JSON."""
    calibration: Json = {"type": one.type.value, "state": one.state.value}
    if one.last is not None:
        calibration["time"] = one.last.checked_at
    return {
        "resourceType": "DeviceMetric",
        "id": f"laser-{laser.pk}-line-{one.line.pk}-handpiece-{one.handpiece.pk}",
        "type": {"text": f"Pulse energy at {one.line.wavelength_nm} nm"},
        "unit": {"coding": [{"system": UCUM, "code": "J", "display": "joule"}]},
        "device": {"reference": f"Device/laser-{laser.pk}", "display": laser.serial},
        "operationalStatus": _operational(laser, locked_out=locked_out),
        "category": "setting",
        "calibration": [calibration],
    }


def _operational(laser: Laser, *, locked_out: bool) -> str:
    if laser.status == DeviceStatus.ENTERED_IN_ERROR:
        return "entered-in-error"
    if laser.status != DeviceStatus.ACTIVE:
        return "off"
    return "standby" if locked_out else "on"
