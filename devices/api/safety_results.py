"""What the calculators of laser safety answer."""

from typing import Any

from rest_framework import serializers

from core.api.serializers import ComputedOut
from core.vocabulary import choices
from devices.api.safety_fields import LimitOut, LimitSetField
from devices.safety import Mode


class OutsideOut(serializers.Serializer[Any]):
    """A line for which nothing is computed: the tables do not reach so far."""

    wavelength_nm = serializers.IntegerField()
    detail = serializers.CharField()


class ExposedOut(serializers.Serializer[Any]):
    """What was computed for: of a laser, the line that is fired and the worst that it does."""

    line = serializers.IntegerField(allow_null=True)
    fired_nm = serializers.IntegerField(allow_null=True)
    wavelength_nm = serializers.FloatField()
    pulse_s = serializers.FloatField()
    rate_hz = serializers.FloatField(allow_null=True)
    exposure_s = serializers.FloatField()


class BeamOut(ExposedOut):
    """The same with energy and diameter."""

    energy_j = serializers.FloatField()
    diameter_mm = serializers.FloatField()
    limit = LimitOut()


class SafetyOut(ComputedOut):
    """What each of these answers has besides its results."""

    limit_set = LimitSetField(help_text="What was asked for")
    outside_tables = OutsideOut(many=True)


class ExposureLimitResult(ExposedOut):
    """The limits for eye and skin."""

    eye = LimitOut()
    skin = LimitOut()


class ExposureLimitOut(SafetyOut):
    """Exposure limits."""

    results = ExposureLimitResult(many=True)


class LevelOut(serializers.Serializer[Any]):
    """A protection level of EN 207. `exists`: the scale ends at LB10."""

    mode = serializers.ChoiceField(choices=choices(Mode))
    number = serializers.IntegerField()
    mark = serializers.CharField()
    exact = serializers.FloatField(help_text="Before it is rounded up")
    value = serializers.FloatField(help_text="W/m2 for D, else J/m2 times N^0.25")
    exists = serializers.BooleanField()


class EyewearNeedResult(BeamOut):
    """What eyewear needs at one wavelength."""

    radiant_exposure_j_m2 = serializers.FloatField(help_text="Over 7 mm where the beam is narrower")
    density = serializers.FloatField(help_text="Optical density that is required")
    least_marked_density = serializers.IntegerField(help_text="Rounded up")
    levels = LevelOut(many=True)
    test = serializers.CharField(source="test.edition")


class EyewearNeedOut(SafetyOut):
    """What eyewear needs."""

    results = EyewearNeedResult(many=True)


class HazardDistanceResult(BeamOut):
    """How far the beam stays above the limit of the eye."""

    linear_m = serializers.FloatField()
    quadrature_m = serializers.FloatField()
    lens_m = serializers.FloatField(allow_null=True)
    diffuse_m = serializers.FloatField(allow_null=True)


class HazardDistanceOut(SafetyOut):
    """Hazard distances."""

    results = HazardDistanceResult(many=True)
