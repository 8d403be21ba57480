"""How long a session takes, and whether a setting is plausible: for plain inputs."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import VisibleRelatedField
from core.api.serializers import BasisOut, ComputedOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.api.line_advice import PulseOut, pulse_shown
from courses.api.slots import SegmentOut
from courses.errors import input_refused
from courses.science.plausibility import LineLimits, Setting, SettingCheck, Severity, check_setting
from courses.science.pulses import PulseVerdict, check_pulse
from courses.science.treatment import (
    DEFAULT_OVERLAP,
    Beam,
    SegmentKind,
    TreatmentLength,
    TreatmentPlan,
    treatment_length,
)
from courses.vocabulary import TreatmentRole
from devices.models import EmissionLine

Json = dict[str, Any]

NS: Final = 1e-9
ROLES: Final = [role.value for role in TreatmentRole]
FIELDS: Final = {"pulse_s": "/pulse_duration_ns"}


class BeamIn(serializers.Serializer[Any]):
    """One setting used in every pass; a tattoo of several colours has one for each wavelength."""

    key = serializers.CharField(
        max_length=40, allow_blank=True, default="", help_text="The caller's name for it"
    )
    area_cm2 = serializers.FloatField()
    spot_mm = serializers.FloatField()
    rate_hz = serializers.FloatField()
    overlap = serializers.FloatField(default=DEFAULT_OVERLAP, help_text="Of the diameter, 0 to 0.9")


class TreatmentLengthIn(serializers.Serializer[Any]):
    """What is covered with what, how often, and the clinic's own minutes."""

    beams: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=BeamIn(), min_length=1, max_length=24
    )
    passes = serializers.IntegerField(default=1)
    clearing_agent = serializers.BooleanField(
        default=False, help_text="It makes the whitening go within seconds"
    )
    wait_minutes = serializers.FloatField(
        required=False,
        allow_null=True,
        default=None,
        help_text="Between passes. Left out: 20 minutes, or 5 seconds with a clearing agent",
    )
    preparation_min = serializers.FloatField(default=10.0)
    aftercare_min = serializers.FloatField(default=10.0)
    firing_share = serializers.FloatField(
        default=1.0, help_text="Share of a pass in which the laser fires"
    )


class BeamPulsesOut(serializers.Serializer[Any]):
    """Pulses of one setting in one pass, and the seconds they take at its rate."""

    key = serializers.CharField()
    pulses = serializers.IntegerField()
    firing_s = serializers.FloatField()


class TimelineSegmentOut(serializers.Serializer[Any]):
    """A part of the session to the second, and what it keeps busy."""

    kind = serializers.ChoiceField(choices=choices(SegmentKind))
    number = serializers.IntegerField(help_text="Counts passes and waits")
    start_s = serializers.FloatField()
    end_s = serializers.FloatField()
    roles = serializers.ListField(child=serializers.ChoiceField(choices=choices(TreatmentRole)))
    pulses = serializers.IntegerField()


class BusyOut(serializers.Serializer[Any]):
    """When a role is busy, in minutes from the start."""

    role = serializers.ChoiceField(choices=choices(TreatmentRole))
    start_min = serializers.IntegerField()
    end_min = serializers.IntegerField(help_text="Excluded")


class TreatmentLengthOut(ComputedOut):
    """Pulses and the timeline of a session; `booking` is the same in whole minutes."""

    beams = BeamPulsesOut(many=True)
    pulses_per_pass = serializers.IntegerField()
    pulses = serializers.IntegerField()
    passes = serializers.IntegerField()
    firing_s_per_pass = serializers.FloatField()
    wait_s = serializers.FloatField(help_text="Between two passes")
    segments = TimelineSegmentOut(many=True)
    booking = SegmentOut(many=True)
    busy = BusyOut(many=True)
    total_s = serializers.FloatField()
    total_minutes = serializers.IntegerField()
    warnings = serializers.ListField(child=serializers.CharField())


class LineLimitsIn(serializers.Serializer[Any]):
    """What an emission line can deliver. Without spots they are not known."""

    wavelength_nm = serializers.FloatField(min_value=180, max_value=20_000)
    pulse_min_ns = serializers.FloatField(min_value=0.001)
    pulse_max_ns = serializers.FloatField(min_value=0.001)
    max_energy_j = serializers.FloatField(min_value=1e-6)
    max_rate_hz = serializers.FloatField(min_value=0.001)
    spot_sizes_mm = serializers.ListField(
        child=serializers.FloatField(min_value=0.1), max_length=40, default=list
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if attrs["pulse_max_ns"] < attrs["pulse_min_ns"]:
            raise serializers.ValidationError(
                {"pulse_max_ns": "The longest pulse is not shorter than the shortest."},
                code="order",
            )
        return attrs


class SettingCheckIn(serializers.Serializer[Any]):
    """A setting, on an emission line of the chain or on limits given here."""

    line = VisibleRelatedField(queryset=EmissionLine.objects.all(), required=False)
    limits = LineLimitsIn(required=False)
    fluence_j_cm2 = serializers.FloatField()
    spot_mm = serializers.FloatField()
    rate_hz = serializers.FloatField()
    pulse_duration_ns = serializers.FloatField()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if ("line" in attrs) == ("limits" in attrs):
            raise serializers.ValidationError(
                {"line": "Give an emission line or limits."}, code="either"
            )
        return attrs


class SettingFindingOut(serializers.Serializer[Any]):
    """One thing out of range. A warning for a person who looks, never what to set instead."""

    code = serializers.CharField()
    severity = serializers.ChoiceField(choices=choices(Severity))
    field = serializers.CharField()
    value = serializers.FloatField()
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    text = serializers.CharField()
    basis = BasisOut()


class SettingCheckOut(ComputedOut):
    """What stands out in a setting. Energy is that of one pulse."""

    energy_j = serializers.FloatField()
    within_line = serializers.BooleanField(
        help_text="The line can deliver it and the pulse is for ink"
    )
    findings = SettingFindingOut(many=True)
    pulse = PulseOut()


class TreatmentLengthView(FallowView):
    """How long a session takes."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        request=TreatmentLengthIn, responses=TreatmentLengthOut, summary="Reckon a session's length"
    )
    def post(self, request: Request) -> Response:
        """Pulses to cover the area, and which part of the session needs whom and what.

        For everyone. Nothing is stored.
        """
        body = self.parse(TreatmentLengthIn)
        wait = body.pop("wait_minutes")
        with input_refused({"wait_s": "/wait_minutes", "plan": "/beams"}):
            found = treatment_length(
                TreatmentPlan(
                    beams=tuple(Beam(**beam) for beam in body.pop("beams")),
                    wait_s=None if wait is None else wait * 60,
                    **body,
                )
            )
        return self.show(TreatmentLengthOut, treatment_length_shown(found))


class SettingCheckView(FallowView):
    """Whether a setting is plausible."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        request=SettingCheckIn, responses=SettingCheckOut, summary="Check a setting's plausibility"
    )
    def post(self, request: Request) -> Response:
        """Warnings where a setting lies beyond its line or beyond published ranges.

        For everyone. It never says what to set; nothing is stored.
        """
        body = self.parse(SettingCheckIn)
        limits = _limits_of(body["line"]) if "line" in body else _limits(body["limits"])
        with input_refused(FIELDS):
            setting = Setting(
                fluence_j_cm2=body["fluence_j_cm2"],
                spot_mm=body["spot_mm"],
                rate_hz=body["rate_hz"],
                pulse_s=body["pulse_duration_ns"] * NS,
            )
            found = check_setting(setting, limits)
            pulse = check_pulse(setting.pulse_s)
        return self.show(SettingCheckOut, _setting_shown(found, pulse))


def treatment_length_shown(found: TreatmentLength) -> Json:
    """What TreatmentLengthOut shows."""
    return {
        "beams": found.beams,
        "pulses_per_pass": found.pulses_per_pass,
        "pulses": found.pulses,
        "passes": found.passes,
        "firing_s_per_pass": found.firing_s_per_pass,
        "wait_s": found.wait_s,
        "segments": [
            {
                "kind": one.kind.value,
                "number": one.number,
                "start_s": one.start_s,
                "end_s": one.end_s,
                "roles": [role for role in TreatmentRole if role in one.needs],
                "pulses": one.pulses,
            }
            for one in found.segments
        ],
        "booking": [
            {
                "minutes": one.minutes,
                "label": one.label,
                "roles": [role for role in TreatmentRole if role in one.roles],
            }
            for one in found.booking
        ],
        "busy": [
            {"role": role, "start_min": start, "end_min": end}
            for role in TreatmentRole
            for start, end in found.busy_minutes(role)
        ],
        "total_s": found.total_s,
        "total_minutes": found.total_minutes,
        "warnings": found.warnings,
        "basis": found.basis,
        "caution": found.caution,
    }


def _limits_of(row: EmissionLine) -> LineLimits:
    return LineLimits(
        wavelength_nm=row.wavelength_nm,
        pulse_min_s=row.pulse_min_ns * NS,
        pulse_max_s=row.pulse_max_ns * NS,
        max_energy_j=row.max_energy_j,
        max_rate_hz=row.max_rate_hz,
        spots_mm=tuple(row.spot_sizes_mm),
    )


def _limits(given: Json) -> LineLimits:
    return LineLimits(
        wavelength_nm=given["wavelength_nm"],
        pulse_min_s=given["pulse_min_ns"] * NS,
        pulse_max_s=given["pulse_max_ns"] * NS,
        max_energy_j=given["max_energy_j"],
        max_rate_hz=given["max_rate_hz"],
        spots_mm=tuple(given["spot_sizes_mm"]),
    )


def _setting_shown(found: SettingCheck, pulse: PulseVerdict) -> Json:
    return {
        "energy_j": found.energy_j,
        "within_line": found.within_line,
        "findings": [
            {
                "code": one.code,
                "severity": one.severity.value,
                **_in_own_unit(one.field, value=one.value, low=one.low, high=one.high),
                "text": one.text,
                "basis": one.basis,
            }
            for one in found.findings
        ],
        "pulse": pulse_shown(pulse),
        "basis": tuple(dict.fromkeys([*(one.basis for one in found.findings), *pulse.basis])),
        "caution": found.caution,
    }


def _in_own_unit(field: str, *, value: float, low: float | None, high: float | None) -> Json:
    """Field, value and range in the unit of the request: pulses in nanoseconds."""
    if field != "pulse_s":
        return {"field": field, "value": value, "low": low, "high": high}
    values = {"value": value, "low": low, "high": high}
    in_ns = {name: None if one is None else one / NS for name, one in values.items()}
    return {"field": "pulse_duration_ns", **in_ns}
