"""From answers to what they mean today: findings, gaps, the day to wait for, and what changed."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from courses.science.basis import CAUTION, Basis
from courses.science.errors import InvalidInput
from courses.science.precautions.answers import AnswerSheet
from courses.science.precautions.questions import QUESTIONNAIRE_VERSION
from courses.science.precautions.rules import (
    PRECAUTIONS,
    UNSURE_PRECAUTIONS,
    Precaution,
    PrecautionEffect,
)


@dataclass(frozen=True, slots=True)
class Clearance:
    """A clinician has cleared a precaution, with a reason; `valid_until` None: without end."""

    precaution_id: str
    by: str
    reason: str
    cleared_on: date
    valid_until: date | None = None

    def __post_init__(self) -> None:
        """Raise InvalidInput without a name or a reason."""
        for name, value in (("by", self.by), ("reason", self.reason)):
            if not value.strip():
                raise InvalidInput(
                    field=f"clearances.{name}",
                    rule="clearance-signed",
                    message=f"A clearance needs {name}.",
                )

    def counts_on(self, today: date) -> bool:
        """Whether the clearance is in force."""
        return self.cleared_on <= today and (self.valid_until is None or today <= self.valid_until)


@dataclass(frozen=True, slots=True)
class PrecautionFinding:
    """One precaution that applies. `until` None with a wait: the day is not known.

    `cleared_by` names the clinician who cleared it.
    """

    id: str
    question: str
    effect: PrecautionEffect
    text: str
    until: date | None
    test_spot: bool
    lifelong: bool
    cleared_by: str
    basis: Basis

    @property
    def stops(self) -> bool:
        """Whether treatment may not go on because of it."""
        return self.effect is not PrecautionEffect.WARN and not self.cleared_by


@dataclass(frozen=True, slots=True)
class PrecautionResult:
    """What the answers mean today. `missing` and `expired` name questions to ask (again)."""

    today: date
    findings: tuple[PrecautionFinding, ...]
    missing: tuple[str, ...]
    expired: tuple[str, ...]
    valid_until: date | None
    questionnaire_version: str = QUESTIONNAIRE_VERSION
    caution: str = CAUTION

    @property
    def complete(self) -> bool:
        """Whether every question has an answer that still counts."""
        return not (self.missing or self.expired)

    @property
    def clear(self) -> bool:
        """Whether nothing stops treatment as far as the answers say."""
        return self.complete and not any(finding.stops for finding in self.findings)

    @property
    def effect(self) -> PrecautionEffect | None:
        """The strongest effect that is in force."""
        return max(
            (f.effect for f in self.findings if f.stops or f.effect is PrecautionEffect.WARN),
            default=None,
        )

    @property
    def wait_until(self) -> date | None:
        """The latest day to wait for, where it is known."""
        return max((f.until for f in self.findings if f.stops and f.until), default=None)

    @property
    def test_spot(self) -> bool:
        """Whether a precaution asks for a test spot."""
        return any(finding.test_spot for finding in self.findings)

    @property
    def basis(self) -> tuple[Basis, ...]:
        """Where the findings come from."""
        return tuple(finding.basis for finding in self.findings)


def evaluate(sheet: AnswerSheet, *, clearances: Iterable[Clearance] = ()) -> PrecautionResult:
    """What checked answers mean on `sheet.today`, gravest first.

    An expired answer that stops still stops; one that does not is to be asked again, and so is
    one whose wait is over. A clearance counts for what a clinician may clear, for as long as the
    answer has not changed since.
    """
    given = tuple(clearances)
    findings = [
        _finding(precaution, sheet=sheet, clearances=given)
        for precaution in (*PRECAUTIONS, *UNSURE_PRECAUTIONS)
        if precaution.applies(sheet) and not _over(precaution, sheet=sheet)
    ]
    findings.sort(key=lambda finding: -finding.effect)
    waited = tuple(p.question for p in PRECAUTIONS if p.applies(sheet) and _over(p, sheet=sheet))
    lifelong = {finding.question for finding in findings if finding.lifelong}
    return PrecautionResult(
        today=sheet.today,
        findings=tuple(findings),
        missing=tuple(key for key in sheet.missing() if key not in lifelong),
        expired=tuple(
            dict.fromkeys(key for key in (*sheet.expired(), *waited) if key not in lifelong)
        ),
        valid_until=sheet.expires_on(),
    )


def worsened(before: PrecautionResult, *, after: PrecautionResult) -> tuple[PrecautionFinding, ...]:
    """What stops now and did not at the time of booking, or asks for a later day."""
    stopped = {finding.id: finding for finding in before.findings if finding.stops}
    return tuple(
        finding
        for finding in after.findings
        if finding.stops and _is_worse(finding, than=stopped.get(finding.id))
    )


def _is_worse(finding: PrecautionFinding, *, than: PrecautionFinding | None) -> bool:
    if than is None:
        return True
    return (finding.until or date.max) > (than.until or date.max)


def _over(precaution: Precaution, *, sheet: AnswerSheet) -> bool:
    if precaution.until is None:
        return False
    until = precaution.until(sheet)
    return until is not None and sheet.today >= until


def _finding(
    precaution: Precaution, *, sheet: AnswerSheet, clearances: tuple[Clearance, ...]
) -> PrecautionFinding:
    cleared = [
        clearance.by
        for clearance in clearances
        if precaution.clearable
        and clearance.precaution_id == precaution.id
        and clearance.counts_on(sheet.today)
        and clearance.cleared_on >= sheet.same_since.get(precaution.question, date.min)
    ]
    return PrecautionFinding(
        id=precaution.id,
        question=precaution.question,
        effect=precaution.effect,
        text=precaution.text,
        until=precaution.until(sheet) if precaution.until else None,
        test_spot=precaution.test_spot,
        lifelong=precaution.lifelong,
        cleared_by=cleared[-1] if cleared else "",
        basis=precaution.basis,
    )
