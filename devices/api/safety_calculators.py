"""Calculators of laser safety: exposure limits, what eyewear needs, hazard distances.

Each takes a beam, or a laser of the chain: then every line at its worst (largest energy, smallest
spot, highest rate, worst pulse duration), with what leaves the laser beside it.
"""

from collections.abc import Iterable, Iterator
from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.views import FallowView
from devices.api.computed import CAUTION
from devices.api.fields import QuantityField
from devices.api.safety_fields import (
    API_NAMES,
    BeamIn,
    ExposureIn,
    basis_of,
    exposure_of,
    limit_shown,
)
from devices.api.safety_results import (
    ExposureLimitOut,
    EyewearNeedOut,
    HazardDistanceOut,
)
from devices.errors import BeyondTables, tables_asked
from devices.safety import (
    EN207_2017,
    EN207_OLDER,
    Beam,
    Exposure,
    Growth,
    Level,
    Limit,
    TestConditions,
    Tissue,
    diffuse_distance_m,
    exposure_limit,
    hazard_distance_m,
    least_marked,
    lens_distance_m,
    protection,
    radiant_exposure_j_m2,
    required_density,
)
from devices.selectors.eyewear import WorstLine, worst_lines

EDITIONS: Final = {"2017": EN207_2017, "older": EN207_OLDER}
DENSITY: Final = {
    "id": "optical-density",
    "version": "1",
    "source": "OD = log10(H0 / limit), H0 over 7 mm: Directive 2006/25/EC; TROS Laserstrahlung 2",
    "kind": "published",
}
LEVEL: Final = {
    "id": "en-207-level",
    "version": "1",
    "source": "EN 207:2017 (superseded by ISO 19818-1:2021), beam of 1 mm; other beams uncorrected",
    "kind": "published",
}
NOHD: Final = {
    "id": "hazard-distance",
    "version": "1",
    "source": "NOHD of a circular beam, 1/e points, no loss in air: linear and quadrature forms",
    "kind": "published",
}
NEAR: Final = {
    "id": "hazard-distance-lens-and-diffuse",
    "version": "1",
    "source": "Lens-on-laser and diffuse reflection, as in ANSI and OSHA guides",
    "kind": "memory",
}
WORST: Final = {
    "id": "worst-of-line",
    "version": "1",
    "source": "Largest energy, smallest spot, highest rate and worst duration as entered from the "
    "maker's instructions; a doubled line emits what it is doubled from too",
    "kind": "common_practice",
}


class EyewearNeedIn(BeamIn):
    """A beam or a laser, and how eyewear is tested."""

    margin = QuantityField(default=1.0, min_value=1, max_value=10, help_text="On the exposure")
    edition = serializers.ChoiceField(
        choices=list(EDITIONS), default="older", help_text="Pulses of 10 s (older) or 5 s count"
    )


class HazardDistanceIn(BeamIn):
    """A beam or a laser that diverges; a lens or a matt surface where there is one."""

    divergence_mrad = QuantityField(max_value=3000, help_text="Full angle at the 1/e points")
    focal_mm = QuantityField(required=False, help_text="Lens behind the laser: focal length")
    beam_on_lens_mm = QuantityField(required=False)
    reflectance = QuantityField(required=False, max_value=1, help_text="Of a matt surface")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("focal_mm" in attrs) != ("beam_on_lens_mm" in attrs):
            raise serializers.ValidationError(
                {"focal_mm": "A lens needs focal_mm and beam_on_lens_mm."}, code="both_or_none"
            )
        return super().validate(attrs)


class ExposureLimitCalculator(FallowView):
    """Exposure limits of eye and skin."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        operation_id="calculators_exposure_limit",
        request=ExposureIn,
        responses={200: ExposureLimitOut},
    )
    def post(self, request: Request) -> Response:
        """The exposure limits of eye and skin, with table and clause. Everyone may ask.

        400 to 1400 nm, 100 ps to 10 s; outside 422 `outside_tables`. On a boundary the stricter
        value counts.
        """
        given = self.parse(ExposureIn)
        exposures, outside = _exposures(given)
        limits = [
            (
                one,
                exposure_limit(exposure, limit_set=given["limit_set"], tissue=Tissue.EYE),
                exposure_limit(exposure, limit_set=given["limit_set"], tissue=Tissue.SKIN),
            )
            for one, exposure in exposures
        ]
        results = [
            {**_exposed(eye, one), "eye": limit_shown(eye), "skin": limit_shown(skin)}
            for one, eye, skin in limits
        ]
        both = [limit for _, eye, skin in limits for limit in (eye, skin)]
        return self.show(ExposureLimitOut, _answer(given, results, outside, both))


class EyewearNeedCalculator(FallowView):
    """Optical density and protection level."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        operation_id="calculators_eyewear",
        request=EyewearNeedIn,
        responses={200: EyewearNeedOut},
    )
    def post(self, request: Request) -> Response:
        """What eyewear needs: optical density, and EN 207 levels of pulses and average power.

        Everyone may ask. Every wavelength of the answer has to be stopped by the same pair when
        it leaves the laser with one line.
        """
        given = self.parse(EyewearNeedIn)
        beams, outside = _beams(given)
        results = [
            {
                **_shown(beam, limit, one),
                "radiant_exposure_j_m2": _over_aperture(beam, limit),
                "density": density,
                "least_marked_density": least_marked(density),
                "levels": [_level_shown(level) for level in levels],
                "test": EDITIONS[given["edition"]],
            }
            for one, beam, limit in beams
            for density in [required_density(beam, limit=limit, margin=given["margin"])]
            for levels in [_levels(one, beam, test=EDITIONS[given["edition"]])]
        ]
        limits = [limit for _, _, limit in beams]
        answer = _answer(given, results, outside, limits, DENSITY, LEVEL)
        return self.show(EyewearNeedOut, answer)


class HazardDistanceCalculator(FallowView):
    """Nominal ocular hazard distance."""

    policy = {"post": "calculator.use"}

    @extend_schema(
        operation_id="calculators_hazard_distance",
        request=HazardDistanceIn,
        responses={200: HazardDistanceOut},
    )
    def post(self, request: Request) -> Response:
        """How far a beam stays above the limit of the eye, by both forms. Everyone may ask.

        In a clinic room the whole room is the controlled area all the same.
        """
        given = self.parse(HazardDistanceIn)
        beams, outside = _beams(given)
        results = [
            {**_shown(beam, limit, one), **_distances(beam, limit, given)}
            for one, beam, limit in beams
        ]
        near = [NEAR] if {"focal_mm", "reflectance"} & set(given) else []
        limits = [limit for _, _, limit in beams]
        return self.show(HazardDistanceOut, _answer(given, results, outside, limits, NOHD, *near))


Of = WorstLine | None


def _exposures(
    given: dict[str, Any],
) -> tuple[list[tuple[Of, Exposure]], list[dict[str, Any]]]:
    """The exposures asked about, and the lines that the tables do not reach."""
    with tables_asked(API_NAMES):
        if "laser" not in given:
            return [(None, exposure_of(given))], []
        lines, outside = _lines(given)
        return [(one, one.requirement.worst.exposure) for one in lines], outside


def _beams(given: dict[str, Any]) -> tuple[list[tuple[Of, Beam, Limit]], list[dict[str, Any]]]:
    """The beams asked about, each with its limit, and the lines that the tables do not reach."""
    with tables_asked(API_NAMES):
        if "laser" not in given:
            beam = Beam(exposure_of(given), given["energy_j"], given["diameter_mm"])
            return [(None, beam, exposure_limit(beam.exposure, limit_set=given["limit_set"]))], []
        lines, outside = _lines(given)
        return [(one, one.requirement.worst, one.requirement.limit) for one in lines], outside


def _lines(given: dict[str, Any]) -> tuple[list[WorstLine], list[dict[str, Any]]]:
    """The lines of the laser at their worst; refused when the tables reach none of them."""
    found = worst_lines(
        given["laser"].laser_model_id,
        limit_set=given["limit_set"],
        exposure_s=given["exposure_s"],
        margin=given.get("margin", 1.0),
    )
    outside = [{"wavelength_nm": nm, "detail": detail} for nm, detail in found.outside]
    if outside and not found.lines:
        raise BeyondTables(outside_tables=outside)
    return list(found.lines), outside


def _levels(one: Of, beam: Beam, *, test: TestConditions) -> Iterable[Level]:
    """Of a line, the highest of each mode over all its durations; of a beam, its own."""
    if one is None:
        return protection(beam, test=test).levels
    return one.levels(test)


def _exposed(limit: Limit, one: Of) -> dict[str, Any]:
    exposure = limit.exposure
    return {
        "line": one and one.line_id,
        "fired_nm": one and one.fired_nm,
        "wavelength_nm": exposure.wavelength_nm,
        "pulse_s": exposure.pulse_s,
        "rate_hz": exposure.rate_hz,
        "exposure_s": exposure.exposure_s,
    }


def _shown(beam: Beam, limit: Limit, one: Of) -> dict[str, Any]:
    return {
        **_exposed(limit, one),
        "energy_j": beam.energy_j,
        "diameter_mm": beam.diameter_mm,
        "limit": limit_shown(limit),
    }


def _over_aperture(beam: Beam, limit: Limit) -> float:
    return radiant_exposure_j_m2(
        beam.energy_j, diameter_mm=beam.diameter_mm, aperture_mm=limit.aperture_mm
    )


def _distances(beam: Beam, limit: Limit, given: dict[str, Any]) -> dict[str, float | None]:
    energy, value = beam.energy_j, limit.value_j_m2
    forms = {
        f"{growth.value}_m": hazard_distance_m(
            energy,
            limit_j_m2=value,
            diameter_mm=beam.diameter_mm,
            divergence_mrad=given["divergence_mrad"],
            growth=growth,
        )
        for growth in Growth
    }
    lens = reflected = None
    if "focal_mm" in given:
        lens = lens_distance_m(
            energy,
            limit_j_m2=value,
            focal_mm=given["focal_mm"],
            beam_on_lens_mm=given["beam_on_lens_mm"],
        )
    if "reflectance" in given:
        reflected = diffuse_distance_m(energy, limit_j_m2=value, reflectance=given["reflectance"])
    return {**forms, "lens_m": lens, "diffuse_m": reflected}


def _level_shown(level: Level) -> dict[str, Any]:
    return {
        "mode": level.mode,
        "number": level.number,
        "mark": level.mark,
        "exact": level.exact,
        "value": level.value,
        "exists": level.exists,
    }


def _answer(
    given: dict[str, Any],
    results: list[dict[str, Any]],
    outside: list[dict[str, Any]],
    limits: Iterable[Limit],
    *formulas: dict[str, str],
) -> dict[str, Any]:
    clauses = list(_clauses(limits))
    return {
        "limit_set": given["limit_set"],
        "results": results,
        "outside_tables": outside,
        "basis": [*basis_of(*clauses), *formulas, *([WORST] if "laser" in given else [])],
        "caution": CAUTION,
    }


def _clauses(limits: Iterable[Limit]) -> Iterator[Any]:
    for limit in limits:
        yield from limit.clauses
