"""What a check found, and all of them together."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from courses.science.basis import CAUTION
from courses.selectors.precheck.registry import CHECKS, CheckRule


class Result(StrEnum):
    """How a check came out."""

    PASSED = "passed"
    WARNING = "warning"
    FAILED = "failed"
    OVERRIDDEN = "overridden"


@dataclass(frozen=True, slots=True)
class Finding:
    """One check on one thing: the result, a sentence, the numbers behind it, and which field."""

    rule: CheckRule
    result: Result
    detail: str
    pointer: str = ""
    numbers: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Report:
    """Everything that was checked."""

    findings: tuple[Finding, ...]
    caution: str = CAUTION

    @property
    def failed(self) -> tuple[Finding, ...]:
        """What speaks against the session."""
        return tuple(one for one in self.findings if one.result is Result.FAILED)

    @property
    def overridable(self) -> bool:
        """Whether a treating clinician's reason would do: all that failed may be overridden."""
        return bool(self.failed) and all(one.rule.overridable for one in self.failed)


def passed(check: str, *, pointer: str = "", **numbers: Any) -> Finding:
    """The check holds."""
    rule = CHECKS[check]
    return Finding(rule, Result.PASSED, rule.explanation, pointer, numbers)


def failed(check: str, detail: str, *, pointer: str, **numbers: Any) -> Finding:
    """The check does not hold."""
    return Finding(CHECKS[check], Result.FAILED, detail, pointer, numbers)


def warned(check: str, detail: str, *, pointer: str, **numbers: Any) -> Finding:
    """Something to know, which keeps nobody from going on."""
    return Finding(CHECKS[check], Result.WARNING, detail, pointer, numbers)


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding as it is stored with the session and shown."""
    rule = finding.rule
    return {
        "id": rule.id,
        "version": rule.version,
        "result": finding.result.value,
        "detail": finding.detail,
        "numbers": dict(finding.numbers),
        "pointer": finding.pointer,
        "overridable": rule.overridable,
        "source": rule.source,
        "kind": rule.kind.value,
    }
