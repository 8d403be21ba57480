"""Which lines suit an ink and a skin, for a course and for plain inputs. Ranking, no settings."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.serializers import ComputedOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.api.plans import CautionOut, ColourNeedOut, need_shown
from courses.errors import input_refused
from courses.science.ink_table import Grade
from courses.science.kirby_desai import check_shares
from courses.science.line_ranking import Line, LineFit, RankedLine
from courses.science.pulses import PulseClass, PulseVerdict
from courses.science.wavelengths import InkPart
from courses.selectors.line_advice import (
    ClinicAdvice,
    LineAdvice,
    chain_line_advice,
    given_line_advice,
)
from courses.vocabulary import InkColour, SkinType

Json = dict[str, Any]

NS: Final = 1e-9
POINTERS: Final = {
    "lines.pulse_min_s": "/lines",
    "lines.wavelength_nm": "/lines",
    "parts.share": "/parts",
}
COLOURS: Final = choices(InkColour)
SKIN_TYPES: Final = [(t.value, t.name) for t in SkinType]


class PulseOut(serializers.Serializer[Any]):
    """The shortest pulse of a line against the time in which ink cools, as numbers."""

    pulse_ns = serializers.FloatField()
    pulse_class = serializers.ChoiceField(choices=choices(PulseClass))
    allowed = serializers.BooleanField(help_text="Nano- and picosecond pulses are for ink")
    particle_relaxation_ns = serializers.FloatField(help_text="Of a grain of 0.1 micrometres")
    clump_relaxation_ns = serializers.FloatField(help_text="Of a clump of 1 micrometre")
    times_clump = serializers.FloatField(help_text="Pulse over the time of a clump")
    heat_runs_um = serializers.FloatField(help_text="How far heat runs during the pulse")
    text = serializers.CharField()
    warning = serializers.CharField()


class FitOut(serializers.Serializer[Any]):
    """How one colour answers the line."""

    colour = serializers.ChoiceField(choices=choices(InkColour))
    share = serializers.FloatField()
    grade = serializers.ChoiceField(choices=choices(Grade))
    usable = serializers.BooleanField()
    cautions = CautionOut(many=True)


class LaserBriefOut(serializers.Serializer[Any]):
    """A laser that emits the line."""

    laser = serializers.IntegerField()
    name = serializers.CharField()
    locked_out = serializers.BooleanField(help_text="It may not fire this line now")


class AdvisedLineOut(serializers.Serializer[Any]):
    """One line, its rank (1 is best) and why. A refused line serves nothing."""

    emission_line = serializers.IntegerField(
        allow_null=True, help_text="Null for a line that the request named"
    )
    wavelength_nm = serializers.FloatField()
    pulse_min_ns = serializers.FloatField()
    pulse_max_ns = serializers.FloatField()
    rank = serializers.IntegerField()
    refused = serializers.BooleanField()
    serves = serializers.ListField(child=serializers.ChoiceField(choices=choices(InkColour)))
    score = serializers.FloatField(help_text="0 to 3: mean grade over the visible ink")
    test_spot = serializers.BooleanField()
    clinician = serializers.BooleanField()
    reasons = serializers.ListField(child=serializers.CharField())
    fits = FitOut(many=True)
    pulse = PulseOut()
    lasers = LaserBriefOut(many=True)


class ClinicAdviceOut(serializers.Serializer[Any]):
    """The lines of the lasers in service at one clinic, best first."""

    clinic = serializers.IntegerField()
    name = serializers.CharField()
    lines = AdvisedLineOut(many=True)
    uncovered = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(InkColour)),
        help_text="Visible colours that no line of this clinic acts on",
    )


class LineAdviceOut(ComputedOut):
    """What each visible colour needs, and how the lines rank for all of them."""

    skin_type = serializers.ChoiceField(
        choices=choices(SkinType), help_text="As reckoned with: a tan counts as one type more"
    )
    tanned = serializers.BooleanField()
    test_spot = serializers.BooleanField()
    clinician = serializers.BooleanField(help_text="Some of it asks for a physician first")
    needs = ColourNeedOut(many=True)
    lines = AdvisedLineOut(many=True, help_text="Lines that the request named")
    clinics = ClinicAdviceOut(many=True)
    uncovered = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(InkColour)),
        help_text="Visible colours that none of all these lines acts on",
    )


class TannedQuery(serializers.Serializer[Any]):
    """Whether the skin is tanned now."""

    tanned = serializers.BooleanField(default=False)


class InkPartIn(serializers.Serializer[Any]):
    """One colour. Permanent make-up (`cosmetic`) may darken whatever its colour."""

    colour = serializers.ChoiceField(choices=choices(InkColour))
    share = serializers.FloatField(help_text="Of the area; the shares of all parts sum to 1")
    visible = serializers.BooleanField(default=True)
    cosmetic = serializers.BooleanField(default=False)


class LaserLineIn(serializers.Serializer[Any]):
    """A line of a laser: its wavelength and the pulses it can be set to."""

    wavelength_nm = serializers.FloatField(min_value=180, max_value=20_000)
    pulse_min_ns = serializers.FloatField(min_value=0.001, max_value=1e10)
    pulse_max_ns = serializers.FloatField(min_value=0.001, max_value=1e10)


class LineAdviceIn(serializers.Serializer[Any]):
    """Ink and skin. Without `lines` the chain's own lasers are ranked."""

    skin_type = serializers.ChoiceField(choices=choices(SkinType))
    tanned = serializers.BooleanField(default=False)
    parts: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=InkPartIn(), min_length=1, max_length=24
    )
    lines: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=LaserLineIn(), min_length=1, max_length=40, required=False
    )


class LineAdviceView(FallowView):
    """Which lines suit an ink and a skin."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        request=LineAdviceIn, responses=LineAdviceOut, summary="Rank laser lines for an ink"
    )
    def post(self, request: Request) -> Response:
        """Rank given lines, or those of the chain's lasers, for an ink and a skin type.

        For everyone. Nothing is stored.
        """
        body = self.parse(LineAdviceIn)
        skin_type, tanned = SkinType(body["skin_type"]), body["tanned"]
        with input_refused(POINTERS):
            parts = _parts(body)
            if "lines" in body:
                lines = [_line(index, one) for index, one in enumerate(body["lines"])]
                found = given_line_advice(parts, skin_type, lines=lines, tanned=tanned)
            else:
                found = chain_line_advice(
                    parts, skin_type, tanned=tanned, actor=self.actor, now=self.now()
                )
        return self.show(LineAdviceOut, line_advice_shown(found))


def line_advice_shown(found: LineAdvice) -> Json:
    """What LineAdviceOut shows."""
    return {
        "skin_type": found.skin_type.value,
        "tanned": found.tanned,
        "test_spot": found.test_spot,
        "clinician": found.clinician,
        "needs": [need_shown(need) for need in found.needs],
        "lines": [_ranked(one, emission_line=None, lasers=[]) for one in found.given],
        "clinics": [_clinic(one) for one in found.clinics],
        "uncovered": found.uncovered,
        "basis": found.basis,
        "caution": found.caution,
    }


def _parts(body: Json) -> list[InkPart]:
    check_shares([one["share"] for one in body["parts"]], field="parts")
    return [
        InkPart(
            colour=InkColour(one["colour"]),
            share=one["share"],
            visible=one["visible"],
            cosmetic=one["cosmetic"],
            key=str(index),
        )
        for index, one in enumerate(body["parts"])
    ]


def _line(index: int, one: Json) -> Line:
    with input_refused({"lines.pulse_min_s": f"/lines/{index}/pulse_min_ns"}):
        return Line(
            key=str(index),
            wavelength_nm=one["wavelength_nm"],
            pulse_min_s=one["pulse_min_ns"] * NS,
            pulse_max_s=one["pulse_max_ns"] * NS,
        )


def _clinic(one: ClinicAdvice) -> Json:
    return {
        "clinic": one.lasers.clinic_id,
        "name": one.lasers.name,
        "lines": [
            _ranked(
                ranked,
                emission_line=int(ranked.line.key),
                lasers=[
                    {
                        "laser": laser.pk,
                        "name": str(laser),
                        "locked_out": not one.lasers.may_fire(laser, line_id=int(ranked.line.key)),
                    }
                    for laser in one.lasers.emitting(int(ranked.line.key))
                ],
            )
            for ranked in one.ranked
        ],
        "uncovered": one.uncovered,
    }


def _ranked(ranked: RankedLine, *, emission_line: int | None, lasers: list[Json]) -> Json:
    return {
        "emission_line": emission_line,
        "wavelength_nm": ranked.line.wavelength_nm,
        "pulse_min_ns": _ns(ranked.line.pulse_min_s),
        "pulse_max_ns": _ns(ranked.line.pulse_max_s),
        "rank": ranked.rank,
        "refused": ranked.refused,
        "serves": ranked.serves,
        "score": ranked.score,
        "test_spot": ranked.test_spot,
        "clinician": ranked.clinician,
        "reasons": ranked.reasons,
        "fits": [_fit(fit) for fit in ranked.fits],
        "pulse": pulse_shown(ranked.pulse),
        "lasers": lasers,
    }


def _fit(fit: LineFit) -> Json:
    return {
        "colour": fit.colour.value,
        "share": fit.share,
        "grade": fit.grade.value,
        "usable": fit.usable,
        "cautions": fit.cautions,
    }


def pulse_shown(pulse: PulseVerdict) -> Json:
    """What PulseOut shows."""
    return {
        "pulse_ns": _ns(pulse.pulse_s),
        "pulse_class": pulse.pulse_class.value,
        "allowed": pulse.allowed,
        "particle_relaxation_ns": _ns(pulse.particle_relaxation_s),
        "clump_relaxation_ns": _ns(pulse.clump_relaxation_s),
        "times_clump": pulse.times_clump,
        "heat_runs_um": pulse.heat_runs_m * 1e6,
        "text": pulse.text,
        "warning": pulse.warning,
    }


def _ns(seconds: float) -> float:
    """Nanoseconds, without the dust of the conversion."""
    return float(f"{seconds / NS:.9g}")
