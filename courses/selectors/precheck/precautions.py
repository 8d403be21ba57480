"""What the patient answered, as checks: blocks and waits stop a session, warnings are shown."""

from collections.abc import Iterator
from typing import Final

from courses.science.precautions import PrecautionEffect, PrecautionFinding
from courses.selectors.precheck.context import Context
from courses.selectors.precheck.findings import Finding, failed, passed, warned

CHECK_OF: Final = {
    PrecautionEffect.BLOCK: "precaution_block",
    PrecautionEffect.WAIT: "precaution_wait",
    PrecautionEffect.HOLD: "precaution_hold",
}


def precaution_findings(context: Context) -> Iterator[Finding]:
    """What stood on the day of the session: what stops it, what warns, what was not asked."""
    result = context.precautions.result
    for effect, check in CHECK_OF.items():
        # Gold medication is on the patient's record: `never_treat` says so.
        stopping = [
            one
            for one in result.findings
            if one.effect is effect and one.stops and not one.lifelong
        ]
        for one in stopping:
            yield failed(check, one.text, pointer="/course", **_numbers(one))
        if not stopping:
            yield passed(check, pointer="/course")
    warnings = [one for one in result.findings if one.effect is PrecautionEffect.WARN]
    for one in warnings:
        yield warned("precaution_warning", one.text, pointer="/course", **_numbers(one))
    if not warnings:
        yield passed("precaution_warning", pointer="/course")
    yield _answered(context)


def _answered(context: Context) -> Finding:
    result = context.precautions.result
    if result.complete:
        return passed("precautions_answered", pointer="/course")
    detail = (
        "Some answers about precautions are missing or too old to count: ask again."
        if context.precautions.asked
        else "The patient has not been asked about precautions."
    )
    return warned(
        "precautions_answered",
        detail,
        pointer="/course",
        missing=list(result.missing),
        expired=list(result.expired),
    )


def _numbers(finding: PrecautionFinding) -> dict[str, str | bool | None]:
    return {
        "precaution": finding.id,
        "question": finding.question,
        "until": None if finding.until is None else finding.until.isoformat(),
        "test_spot": finding.test_spot,
        "source": finding.basis.source,
    }
