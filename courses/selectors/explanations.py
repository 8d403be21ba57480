"""Why a healing window is as it is: read from the stored version, not computed anew."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet

from clinics.access import Actor
from courses.errors import WindowUnknown
from courses.healing import Flag, Standing
from courses.healing.reactions import unusual
from courses.models import Appointment, HealingDecision, HealingWindow, HealingWindowVersion
from courses.science.basis import CAUTION
from courses.selectors.appointments import open_at
from courses.selectors.healing_record import local_today, session_facts
from courses.vocabulary import DecisionKind, WindowState

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Explanation:
    """A version of a window with every rule's answer, and what clinicians decided.

    `bound` gave the result, `applied` asked for less, `not_applicable` for nothing. `not_before`
    is the latest date that any rule in force gives, also while a hold leaves no date.
    """

    window: HealingWindow
    version: HealingWindowVersion
    summary: str
    not_before: str | None
    bound: list[Json]
    applied: list[Json]
    not_applicable: list[Json]
    holds: list[Json]
    decisions: list[HealingDecision]
    basis: list[Json]
    caution: str = CAUTION


def window_explained(window: HealingWindow, *, number: int | None = None) -> Explanation:
    """The newest (or the given) version of a window, explained. Two queries.

    Raises WindowUnknown for a version that is not there.
    """
    version = window.versions.filter(number=number or window.number).first()
    if version is None:
        raise WindowUnknown(healing_window=window.pk, number=number)
    standing: dict[str, list[Json]] = {kind.value: [] for kind in Standing}
    for outcome in version.outcomes:
        standing[outcome["standing"]].append(outcome)
    bound = standing[Standing.BOUND]
    decisions = list(
        window.decisions.filter(window_number__lt=version.number)
        .select_related("decided_by")
        .order_by("pk")
    )
    return Explanation(
        window=window,
        version=version,
        summary=_summary(version, bound, decisions=decisions),
        not_before=_not_before(version),
        bound=bound,
        applied=standing[Standing.APPLIED],
        not_applicable=standing[Standing.NOT_APPLICABLE],
        holds=[
            {
                "rule_id": outcome["rule"]["id"],
                "until": outcome["hold"],
                "reason": outcome["reason"],
                "findings": outcome["keys"],
            }
            for outcome in version.outcomes
            if outcome["hold"] is not None
        ],
        decisions=decisions,
        basis=[_basis(outcome["rule"]) for outcome in bound],
    )


def appointments_inside(window: HealingWindow, *, now: datetime) -> QuerySet[Appointment]:
    """Open appointments of the same skin that begin before the window closes.

    While no date can be said, all of them.
    """
    rows = Appointment.objects.filter(
        open_at(now), course__tattoos__parts__passes__session=window.session_id
    )
    inside = Q() if window.closes_at is None else Q(starts_at__lt=window.closes_at)
    return rows.filter(inside).order_by("starts_at", "pk").distinct()


def lasting_reactions(window: HealingWindow, *, now: datetime) -> tuple[Flag, ...]:
    """The reactions after the window's session that last, or lasted, longer than usual.

    As of the day at the clinic, whatever version is looked at. Four queries.
    """
    session = window.session
    facts = session_facts(session, today=local_today(session, now=now))
    return unusual(facts)


def reasons_of(windows: Iterable[HealingWindow]) -> list[Json]:
    """What bound each of these windows, as sentences with their rules. One query."""
    numbers = {window.pk: window.number for window in windows}
    versions = HealingWindowVersion.objects.filter(window__in=numbers).order_by("window", "number")
    return [
        {
            "healing_window": version.window_id,
            "rule_id": outcome["rule"]["id"],
            "version": outcome["rule"]["version"],
            "on": outcome["on"],
            "hold": outcome["hold"],
            "reason": outcome["reason"],
            "source": outcome["rule"]["source"],
            "kind": outcome["rule"]["kind"],
        }
        for version in versions
        if version.number == numbers[version.window_id]
        for outcome in version.outcomes
        if outcome["standing"] == Standing.BOUND
    ]


def session_window(session_id: int, *, actor: Actor) -> HealingWindow | None:
    """The window that a session opened, if any."""
    return HealingWindow.objects.visible_to(actor).filter(session=session_id).first()


def _summary(
    version: HealingWindowVersion, bound: list[Json], *, decisions: list[HealingDecision]
) -> str:
    if version.state == WindowState.NEVER:
        start = "This area may never be treated again."
    elif version.state == WindowState.HELD:
        start = "No date can be said: a clinician must look."
    else:
        start = f"Not before {version.earliest_on}; advised: {version.advised_on}."
    why = [outcome["reason"] for outcome in bound if outcome["rule"]["effect"] != "advise"]
    why += [
        f"Shortened by {one.decided_by.name}: {one.reason}"
        for one in decisions
        if one.kind == DecisionKind.SHORTEN and one.earliest_on == version.earliest_on
    ]
    return " ".join(dict.fromkeys([start, *why]))


def _not_before(version: HealingWindowVersion) -> str | None:
    """ISO dates sort as they are."""
    if version.earliest_on is not None:
        return version.earliest_on.isoformat()
    if version.state == WindowState.NEVER:
        return None
    return max(
        (
            outcome["on"]
            for outcome in version.outcomes
            if outcome["on"] and not outcome["set_aside"] and outcome["rule"]["effect"] != "advise"
        ),
        default=None,
    )


def _basis(rule: Json) -> Json:
    return {name: rule[name] for name in ("id", "version", "source", "kind")}
