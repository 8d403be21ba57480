"""What calculators of laser safety take and show: beams, durations with a unit, limits."""

from typing import Any, Final

from rest_framework import serializers

from core.api.fields import VisibleRelatedField
from core.vocabulary import choices
from devices.api.fields import MAX_ENERGY_J, MAX_RATE_HZ, MAX_SPOT_MM, QuantityField
from devices.models import Laser
from devices.safety import USUAL_EXPOSURE_S, Exposure, Limit, LimitSet, Tissue
from devices.safety.vocabulary import Clause

SECONDS: Final = {"ps": 1e-12, "ns": 1e-9, "us": 1e-6, "ms": 1e-3, "s": 1.0}
OF_BEAM: Final = ("wavelength_nm", "pulse_duration", "pulse_duration_unit", "rate_hz")
POINT_MRAD: Final = 1.5
API_NAMES: Final = {"pulse_s": "pulse_duration"}


class LimitSetField(serializers.ChoiceField):
    """One limit set, or `LOWER`; several are never mixed."""

    default_error_messages = {
        "mixed": "Name one limit set. LOWER computes both whole and takes the lower result; a row "
        "of one with a factor of the other is never computed.",
    }

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"choices": choices(LimitSet), **kwargs})

    def to_internal_value(self, data: Any) -> LimitSet:
        if isinstance(data, list | dict) or (
            isinstance(data, str) and ("," in data or "+" in data)
        ):
            self.fail("mixed")
        return LimitSet(super().to_internal_value(data))


class ExposureIn(serializers.Serializer[Any]):
    """A pulse or a train of them; or a laser of the chain: each of its lines at its worst."""

    laser = VisibleRelatedField(
        queryset=Laser.objects.select_related("laser_model"),
        required=False,
        help_text="Instead of a beam: the worst of every line of this laser",
    )
    wavelength_nm = QuantityField(required=False)
    pulse_duration = QuantityField(required=False, help_text="Of a continuous beam: how long")
    pulse_duration_unit = serializers.ChoiceField(choices=list(SECONDS), required=False)
    rate_hz = QuantityField(
        required=False, max_value=MAX_RATE_HZ, help_text="Left out: one pulse alone"
    )
    exposure_s = QuantityField(
        default=USUAL_EXPOSURE_S, help_text="How long the eye is exposed: 0.25, 2, 5 or 10 s"
    )
    source_mrad = QuantityField(
        default=POINT_MRAD, max_value=3142, help_text="Angle of the source; 1.5 is a point"
    )
    limit_set = LimitSetField(default=LimitSet.LOWER)

    needs: tuple[str, ...] = ()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        beam = [*OF_BEAM, *self.needs]
        if "laser" in attrs:
            told = [name for name in beam if name in attrs]
            if told:
                raise serializers.ValidationError(
                    dict.fromkeys(told, "The laser says this."), code="either_or"
                )
            return attrs
        missing = [name for name in beam if name not in attrs and name != "rate_hz"]
        if missing:
            raise serializers.ValidationError(
                dict.fromkeys(missing, "Give a beam, or a laser."), code="required"
            )
        return attrs


class BeamIn(ExposureIn):
    """A beam: with the energy of a pulse and the diameter that holds 63 % of it (1/e)."""

    energy_j = QuantityField(required=False, max_value=MAX_ENERGY_J, help_text="Of one pulse")
    diameter_mm = QuantityField(
        required=False, max_value=MAX_SPOT_MM, help_text="Holds 63 % (1/e points)"
    )

    needs = ("energy_j", "diameter_mm")


class ClauseOut(serializers.Serializer[Any]):
    """Where a value stands. `from_memory`: written down without the text at hand."""

    table = serializers.CharField()
    clause = serializers.CharField(source="text")
    from_memory = serializers.BooleanField()


class TrainRuleOut(serializers.Serializer[Any]):
    """What one of the three rules for trains leaves for each pulse."""

    number = serializers.IntegerField()
    value_j_m2 = serializers.FloatField()
    clause = ClauseOut()


class LimitFactorOut(serializers.Serializer[Any]):
    """A correction factor that is in the row."""

    name = serializers.CharField()
    value = serializers.FloatField()


class LimitOut(serializers.Serializer[Any]):
    """An exposure limit for each pulse, which set and rule it comes from, and where that stands."""

    limit_set = LimitSetField(help_text="The set that it belongs to")
    tissue = serializers.ChoiceField(choices=choices(Tissue))
    value_j_m2 = serializers.FloatField()
    value_j_cm2 = serializers.FloatField()
    value_w_m2 = serializers.FloatField(help_text="During the pulse")
    aperture_mm = serializers.FloatField(help_text="Over which an exposure is averaged")
    pulses = serializers.IntegerField(help_text="Within the exposure")
    rule = serializers.IntegerField(help_text="Which rule binds: 1 pulse, 2 all of them, 3 number")
    rules = TrainRuleOut(many=True)
    factors = LimitFactorOut(many=True)
    clauses = ClauseOut(many=True)


def exposure_of(given: dict[str, Any]) -> Exposure:
    """The exposure that was given. Raises InvalidQuantity, OutsideTables."""
    pulse_s = given["pulse_duration"] * SECONDS[given["pulse_duration_unit"]]
    return Exposure(
        wavelength_nm=given["wavelength_nm"],
        pulse_s=pulse_s,
        rate_hz=given.get("rate_hz"),
        exposure_s=max(given["exposure_s"], pulse_s),
        source_mrad=given["source_mrad"],
    )


def limit_shown(limit: Limit) -> dict[str, Any]:
    """A limit as it is shown."""
    return {
        "limit_set": limit.limit_set,
        "tissue": limit.tissue,
        "value_j_m2": limit.value_j_m2,
        "value_j_cm2": limit.value_j_m2 / 1e4,
        "value_w_m2": limit.value_w_m2,
        "aperture_mm": limit.aperture_mm,
        "pulses": limit.exposure.pulses,
        "rule": limit.rule,
        "rules": limit.rules,
        "factors": [{"name": name, "value": value} for name, value in limit.single.factors],
        "clauses": limit.clauses,
    }


def basis_of(*clauses: Clause) -> list[dict[str, str]]:
    """Clauses as the basis of an answer, each once."""
    return [
        {
            "id": f"laser-safety-table-{clause.table}",
            "version": "1",
            "source": clause.text,
            "kind": "memory" if clause.from_memory else "published",
        }
        for clause in dict.fromkeys(clauses)
    ]
