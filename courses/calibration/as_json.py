"""A calibration report as JSON values, to be kept with the run."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from courses.calibration.refit import Fit, Refit
from courses.calibration.report import CalibrationReport, Coverage, DropOut
from courses.science.basis import Basis

Json = dict[str, Any]


def report_json(report: CalibrationReport) -> Json:
    """All of the report; what there was too little data for is null or empty."""
    return {
        "courses": report.courses,
        "counts": {outcome.value: count for outcome, count in report.counts},
        "enough": report.enough,
        "messages": list(report.messages),
        "accuracy": _or_none(report.accuracy, asdict),
        "coverage": _or_none(report.coverage, _coverage),
        "groups": [asdict(group) for group in report.groups],
        "curve": _or_none(report.curve, lambda curve: _listed(asdict(curve))),
        "drop_out": _or_none(report.drop_out, _drop_out),
        "refit": _or_none(report.refit, _refit),
        "basis": [_basis(basis) for basis in report.basis]
        + ([_basis(report.refit.basis)] if report.refit else []),
        "caution": report.caution,
    }


def _coverage(coverage: Coverage) -> Json:
    return {**asdict(coverage), "as_expected": coverage.as_expected}


def _drop_out(drop_out: DropOut) -> Json:
    return {
        "share": asdict(drop_out.share),
        "after_sessions": [
            {"sessions": sessions, "courses": courses}
            for sessions, courses in drop_out.after_sessions
        ],
    }


def _refit(refit: Refit) -> Json:
    return {
        "proposed": _fit(refit.proposed),
        "fits": [_fit(fit) for fit in refit.fits],
        "slope": (
            None
            if refit.slope is None
            else {**asdict(refit.slope), "as_published": refit.slope.as_published}
        ),
        "courses": refit.courses,
        "reached": refit.reached,
    }


def _fit(fit: Fit) -> Json:
    return {**asdict(fit), "family": fit.family.value}


def _basis(basis: Basis) -> Json:
    return {**asdict(basis), "kind": basis.kind.value}


def _listed(values: Json) -> Json:
    return {
        name: list(value) if isinstance(value, tuple) else value for name, value in values.items()
    }


def _or_none(value: Any, shown: Callable[[Any], Json]) -> Json | None:
    return None if value is None else shown(value)
