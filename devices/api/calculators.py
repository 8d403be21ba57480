"""Calculators of laser output for plain inputs: the same formulas that records are checked by."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import VisibleRelatedField
from core.api.serializers import ComputedOut
from core.api.views import FallowView
from devices.api.computed import CAUTION, LINE_LIMIT, TOP_HAT
from devices.api.fields import (
    MAX_ENERGY_J,
    MAX_FLUENCE_J_CM2,
    MAX_RATE_HZ,
    MAX_SPOT_MM,
    QuantityField,
)
from devices.errors import SpotNotListed
from devices.metrology import (
    average_power_w,
    fluence_j_cm2,
    max_fluence_j_cm2,
    pulse_energy_j,
    spot_area_cm2,
    spot_diameter_mm,
)
from devices.models import EmissionLine

THREE: Final = ("energy_j", "spot_mm", "fluence_j_cm2")


class FluenceIn(serializers.Serializer[Any]):
    """Two of energy, spot and fluence; a rate and an emission line when they matter."""

    energy_j = QuantityField(required=False, max_value=MAX_ENERGY_J, help_text="Of one pulse")
    spot_mm = QuantityField(required=False, max_value=MAX_SPOT_MM, help_text="Diameter")
    fluence_j_cm2 = QuantityField(required=False, max_value=MAX_FLUENCE_J_CM2)
    rate_hz = QuantityField(required=False, max_value=MAX_RATE_HZ)
    line = VisibleRelatedField(
        queryset=EmissionLine.objects.all(),
        required=False,
        help_text="Compare with the limits of this emission line",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if sum(name in attrs for name in THREE) != len(THREE) - 1:
            raise serializers.ValidationError(
                "Give exactly two of energy_j, spot_mm and fluence_j_cm2.", code="two_of_three"
            )
        return attrs


class LineLimitOut(serializers.Serializer[Any]):
    """The limits of an emission line, and which of them these values pass beyond."""

    line = serializers.IntegerField()
    wavelength_nm = serializers.IntegerField()
    spot_sizes_mm = serializers.ListField(child=serializers.FloatField())
    max_energy_j = serializers.FloatField()
    max_fluence_j_cm2 = serializers.FloatField(help_text="Of its largest pulse on this spot")
    max_rate_hz = serializers.FloatField()
    within = serializers.BooleanField()
    beyond = serializers.ListField(
        child=serializers.ChoiceField(choices=["energy_j", "rate_hz", "spot_mm"]),
        help_text="Values that the line does not allow; a computed spot is one it cannot be set to",
    )


class FluenceOut(ComputedOut):
    """Energy, spot and fluence that belong together."""

    energy_j = serializers.FloatField()
    spot_mm = serializers.FloatField()
    fluence_j_cm2 = serializers.FloatField()
    computed = serializers.ChoiceField(choices=THREE, help_text="Which of the three was not given")
    spot_area_cm2 = serializers.FloatField()
    average_power_w = serializers.FloatField(allow_null=True, help_text="Where a rate was given")
    line_limit = LineLimitOut(allow_null=True)


class FluenceCalculator(FallowView):
    """Energy, spot and fluence of one pulse on an evenly lit round spot."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        operation_id="calculators_fluence", request=FluenceIn, responses={200: FluenceOut}
    )
    def post(self, request: Request) -> Response:
        """Work out the third of energy, spot and fluence. Everyone may ask.

        With an emission line: a spot that it cannot be set to is refused with those it can; how
        the values stand to its limits is part of the answer. Nothing is stored.
        """
        given = self.parse(FluenceIn)
        answer: dict[str, Any] = _third(given)
        rate_hz = given.get("rate_hz")
        line = given.get("line")
        answer |= {
            "spot_area_cm2": spot_area_cm2(answer["spot_mm"]),
            "average_power_w": rate_hz and average_power_w(answer["energy_j"], rate_hz=rate_hz),
            "line_limit": line and _line_limit(line, answer, rate_hz=rate_hz),
            "basis": [TOP_HAT, LINE_LIMIT] if line else [TOP_HAT],
            "caution": CAUTION,
        }
        return self.show(FluenceOut, answer)


def _third(given: dict[str, Any]) -> dict[str, Any]:
    """The three values and which one was computed; exactly two are given."""
    three: dict[str, Any] = {name: given[name] for name in THREE if name in given}
    if "fluence_j_cm2" not in three:
        computed = "fluence_j_cm2"
        three[computed] = fluence_j_cm2(three["energy_j"], spot_mm=three["spot_mm"])
    elif "energy_j" not in three:
        computed = "energy_j"
        three[computed] = pulse_energy_j(three["fluence_j_cm2"], spot_mm=three["spot_mm"])
    else:
        computed = "spot_mm"
        three[computed] = spot_diameter_mm(three["energy_j"], fluence=three["fluence_j_cm2"])
    return {**three, "computed": computed}


def _line_limit(
    line: EmissionLine, values: dict[str, Any], *, rate_hz: float | None
) -> dict[str, Any]:
    listed = values["spot_mm"] in line.spot_sizes_mm
    if not listed and values["computed"] != "spot_mm":
        raise SpotNotListed(
            f"The line has the spot sizes {line.spot_sizes_mm} mm, not {values['spot_mm']}.",
            spot_sizes_mm=line.spot_sizes_mm,
            refused_mm=[values["spot_mm"]],
        )
    beyond = {
        "energy_j": values["energy_j"] > line.max_energy_j,
        "rate_hz": rate_hz is not None and rate_hz > line.max_rate_hz,
        "spot_mm": not listed,
    }
    return {
        "line": line.pk,
        "wavelength_nm": line.wavelength_nm,
        "spot_sizes_mm": line.spot_sizes_mm,
        "max_energy_j": line.max_energy_j,
        "max_fluence_j_cm2": max_fluence_j_cm2(line.max_energy_j, spot_mm=values["spot_mm"]),
        "max_rate_hz": line.max_rate_hz,
        "within": not any(beyond.values()),
        "beyond": [name for name, is_beyond in beyond.items() if is_beyond],
    }
