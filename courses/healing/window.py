"""The healing window: the maximum of what all rules ask for, with every rule's answer shown."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from courses.healing.facts import Facts, Observation, Release, Shortening
from courses.healing.policy import Policy, Value
from courses.healing.reactions import Flag, unusual
from courses.healing.registry import REGISTRY_VERSION, RULES
from courses.healing.rules import Effect, HoldUntil, Rule, Verdict
from courses.science.basis import CAUTION, Basis
from courses.science.errors import InvalidInput
from courses.vocabulary import WindowState

DEFAULT_POLICY = Policy()


class Standing(StrEnum):
    """How a rule came out: it set the result, it applied without setting it, or neither."""

    BOUND = "bound"
    APPLIED = "applied_not_binding"
    NOT_APPLICABLE = "not_applicable"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one rule gave: its standing, its date if it has one, and why.

    `keys` are the observations that hold; `set_aside` that a clinician's shortening replaced it.
    """

    rule: Rule
    standing: Standing
    reason: str
    on: date | None
    hold: HoldUntil | None
    set_aside: bool
    missing: str
    parameters: tuple[tuple[str, Value], ...]
    keys: tuple[str, ...] = ()
    released_by: str = ""

    @property
    def basis(self) -> Basis:
        """The rule's id, version, source and kind of support."""
        rule = self.rule
        return Basis(id=rule.id, version=rule.version, source=rule.source, kind=rule.kind)


@dataclass(frozen=True, slots=True)
class Hold:
    """Why no date can be said. `keys` are the observations behind it."""

    rule_id: str
    until: HoldUntil
    reason: str
    keys: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """When the same area may be treated again, as far as rules and clinicians have said.

    `earliest_on` is None while held and for never; `not_before` is the date without the holds
    (None only for never). `by_rules_on` is what the rules alone ask for. `shortening` is set
    when a clinician's earlier date is in force. `missing` names facts that rules would need.
    """

    state: WindowState
    treated_on: date
    as_of: date
    earliest_on: date | None
    advised_on: date | None
    not_before: date | None
    by_rules_on: date | None
    outcomes: tuple[Outcome, ...]
    holds: tuple[Hold, ...]
    releases: tuple[Release, ...]
    shortening: Shortening | None
    flags: tuple[Flag, ...]
    missing: tuple[str, ...]
    policy_version: str
    registry_version: str = REGISTRY_VERSION
    caution: str = CAUTION

    @property
    def days(self) -> int | None:
        """Days from the treatment to the earliest next one."""
        return None if self.earliest_on is None else (self.earliest_on - self.treated_on).days

    @property
    def bound(self) -> tuple[Outcome, ...]:
        """The rules that gave this result."""
        return tuple(o for o in self.outcomes if o.standing is Standing.BOUND)

    @property
    def basis(self) -> tuple[Basis, ...]:
        """Where the result comes from."""
        return tuple(outcome.basis for outcome in self.bound)


@dataclass(frozen=True, slots=True)
class _Applied:
    """A rule's verdict after what clinicians decided about it."""

    rule: Rule
    verdict: Verdict
    on: date | None
    holding: tuple[Observation, ...]
    set_aside: bool
    released_by: str


def compute_window(
    facts: Facts,
    policy: Policy = DEFAULT_POLICY,
    *,
    releases: Iterable[Release] = (),
    shortening: Shortening | None = None,
) -> Window:
    """The healing window of one treatment as of `facts.today`.

    The latest date of all rules counts, never a sum. Holds leave no date. A clinician's
    shortening replaces only what the clinician knew of, and lifts no hold. Raises InvalidInput
    for a decision dated outside treatment and today.
    """
    given = tuple(releases)
    _check_decisions(facts, releases=given, shortening=shortening)
    applied = [_apply(rule, facts, policy, releases=given, shortening=shortening) for rule in RULES]
    never = any(a.verdict.applies for a in applied if a.rule.effect is Effect.NEVER)
    dates = [a.on for a in applied if a.on is not None and a.rule.effect is not Effect.ADVISE]
    by_rules_on = max(dates)
    kept = [
        a.on
        for a in applied
        if a.on is not None and a.rule.effect is not Effect.ADVISE and not a.set_aside
    ]
    shortened = shortening is not None and not never and shortening.earliest_on < by_rules_on
    if shortened and shortening is not None:
        kept.append(shortening.earliest_on)
    not_before = max(kept, default=by_rules_on)
    holds = () if never else _holds(applied)
    earliest_on = None if never or holds else not_before
    advice = next(a for a in applied if a.rule.effect is Effect.ADVISE)
    advised_on = None if earliest_on is None or advice.on is None else max(earliest_on, advice.on)
    outcomes = tuple(
        _outcome(a, policy, never=never, not_before=not_before, advised_on=advised_on)
        for a in applied
    )
    return Window(
        state=_state(facts, never=never, held=bool(holds), earliest_on=earliest_on),
        treated_on=facts.treated_on,
        as_of=facts.today,
        earliest_on=earliest_on,
        advised_on=advised_on,
        not_before=None if never else not_before,
        by_rules_on=None if never else by_rules_on,
        outcomes=outcomes,
        holds=holds,
        releases=given,
        shortening=shortening if shortened and not_before < by_rules_on else None,
        flags=unusual(facts),
        missing=tuple(o.missing for o in outcomes if o.missing),
        policy_version=policy.version,
    )


def shorten(
    window: Window, *, earliest_on: date, decided_on: date, by: str, reason: str
) -> Shortening:
    """A clinician's earlier date, knowing what `window` shows. Pass it to compute_window.

    Raises InvalidInput without reason or name, when the area may never be treated again, when
    the date is not after the treatment, or when it is not earlier than what is in force.
    """
    if window.not_before is None:
        raise InvalidInput(
            field="earliest_on",
            rule="never-is-final",
            message="This area may never be treated again; that cannot be shortened.",
        )
    if earliest_on <= window.treated_on:
        raise InvalidInput(
            field="earliest_on",
            rule="shortening-before-treatment",
            message=f"{earliest_on} is not after the treatment of {window.treated_on}.",
        )
    if earliest_on >= window.not_before:
        raise InvalidInput(
            field="earliest_on",
            rule="shortening-does-not-shorten",
            message=f"{earliest_on} is not earlier than {window.not_before}.",
        )
    return Shortening(
        earliest_on=earliest_on,
        decided_on=decided_on,
        by=by,
        reason=reason,
        set_aside=tuple(
            (o.rule.id, o.on)
            for o in window.outcomes
            if o.on is not None and o.rule.effect is not Effect.ADVISE and o.on > earliest_on
        ),
    )


def _check_decisions(
    facts: Facts, *, releases: tuple[Release, ...], shortening: Shortening | None
) -> None:
    for release in releases:
        if not facts.treated_on <= release.released_on <= facts.today:
            raise InvalidInput(
                field="releases.released_on",
                rule="decision-date",
                message="A release is dated from the treatment to today.",
            )
    if shortening is None:
        return
    if not facts.treated_on <= shortening.decided_on <= facts.today:
        raise InvalidInput(
            field="shortening.decided_on",
            rule="decision-date",
            message="A shortening is decided from the treatment to today.",
        )
    if shortening.earliest_on <= facts.treated_on:
        raise InvalidInput(
            field="shortening.earliest_on",
            rule="shortening-before-treatment",
            message=f"{shortening.earliest_on} is not after the treatment.",
        )


def _apply(
    rule: Rule,
    facts: Facts,
    policy: Policy,
    *,
    releases: tuple[Release, ...],
    shortening: Shortening | None,
) -> _Applied:
    verdict = rule.check(facts, rule.parameters_in(policy))
    lifted = {
        id(finding): release
        for finding in verdict.findings
        for release in releases
        if release.covers(rule.id, finding=finding)
    }
    dates = [verdict.on, *(release.released_on for release in lifted.values())]
    on = max((day for day in dates if day is not None), default=None)
    return _Applied(
        rule=rule,
        verdict=verdict,
        on=on,
        holding=tuple(f for f in verdict.findings if id(f) not in lifted),
        set_aside=bool(on and shortening and shortening.sets_aside(rule.id, on=on)),
        released_by=", ".join(sorted({release.by for release in lifted.values()})),
    )


def _holds(applied: list[_Applied]) -> tuple[Hold, ...]:
    return tuple(
        Hold(
            rule_id=a.rule.id,
            until=a.verdict.until,
            reason=a.verdict.reason,
            keys=tuple(f.key for f in a.holding),
        )
        for a in applied
        if a.holding and a.verdict.until is not None
    )


def _outcome(
    a: _Applied,
    policy: Policy,
    *,
    never: bool,
    not_before: date,
    advised_on: date | None,
) -> Outcome:
    if a.rule.effect is Effect.NEVER:
        bound = a.verdict.applies
    elif never:
        bound = False
    elif a.rule.effect is Effect.ADVISE:
        bound = a.on is not None and a.on == advised_on
    else:
        bound = bool(a.holding) or (a.on == not_before and not a.set_aside)
    standing = Standing.APPLIED if a.verdict.applies else Standing.NOT_APPLICABLE
    return Outcome(
        rule=a.rule,
        standing=Standing.BOUND if bound else standing,
        reason=a.verdict.reason,
        on=a.on,
        hold=a.verdict.until if a.holding else None,
        set_aside=a.set_aside,
        missing=a.verdict.missing,
        parameters=tuple(sorted(a.rule.parameters_in(policy).values.items())),
        keys=tuple(finding.key for finding in a.holding),
        released_by=a.released_by,
    )


def _state(facts: Facts, *, never: bool, held: bool, earliest_on: date | None) -> WindowState:
    if never:
        return WindowState.NEVER
    if held or earliest_on is None:
        return WindowState.HELD
    return WindowState.CLOSED if facts.today >= earliest_on else WindowState.OPEN
