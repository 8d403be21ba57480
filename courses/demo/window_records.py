"""Rows of observations, healing windows with every version, and what clinicians decided."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from clinics.hours import instant_at
from core.db import step
from courses.demo.inserting import insert
from courses.demo.moment import Moment
from courses.demo.scenario import Scenario
from courses.demo.treatment import Treatment, facts_of
from courses.demo.windows import Cause, Version, release_reason, told
from courses.healing import earliest_instant, facts_json, outcomes_json
from courses.models import (
    HealingDecision,
    HealingWindow,
    HealingWindowVersion,
    Observation,
    Session,
)
from courses.vocabulary import DecisionKind, WindowState

ONE_DAY = timedelta(days=1)
DECIDED_AT = time(11, 30)


@dataclass(slots=True)
class Told:
    """The window of one session, how it was told, and the records behind it."""

    treatment: Treatment
    row: HealingWindow
    versions: list[Version]
    observations: Mapping[int, Observation]
    decision: HealingDecision | None = None

    @property
    def closed(self) -> bool:
        """Whether the clock has closed it."""
        return self.row.state == WindowState.CLOSED


@step
def write_windows(
    scenario: Scenario,
    sessions: Mapping[int, Session],
    keys: Mapping[int, int],
    *,
    left_open: frozenset[int],
) -> list[Told]:
    """All windows as they are told by now, in the order of their sessions.

    `left_open`: treatments (by identity) whose window has closed unseen: the clock will find it.
    """
    treatments = scenario.treatments()
    seen = _write_observations(treatments, sessions, scenario.moment)
    windows = [
        _window(
            treatment,
            session=sessions[id(treatment)],
            key=keys[id(treatment)],
            observations=seen[id(treatment)],
            scenario=scenario,
            left_open=left_open,
        )
        for treatment in treatments
    ]
    insert(window.row for window in windows)
    _write_decisions(windows, scenario)
    insert(version for window in windows for version in _versions(window))
    return windows


@step
def _write_observations(
    treatments: Sequence[Treatment], sessions: Mapping[int, Session], moment: Moment
) -> dict[int, dict[int, Observation]]:
    """What was seen up to yesterday: by treatment, by position of the reaction."""
    found: dict[int, dict[int, Observation]] = {
        id(treatment): dict(_observations(treatment, sessions[id(treatment)], moment))
        for treatment in treatments
    }
    insert(row for rows in found.values() for row in rows.values())
    return found


def _observations(
    treatment: Treatment, session: Session, moment: Moment
) -> Iterator[tuple[int, Observation]]:
    """In the order of the days, so that keys and days agree."""
    numbered = enumerate(treatment.healing.reactions)
    for position, reaction in sorted(numbered, key=lambda one: (one[1].seen, one[0])):
        observed_on = treatment.treated_on + timedelta(days=reaction.seen)
        gone_on = None
        if reaction.gone is not None:
            gone_on = treatment.treated_on + timedelta(days=reaction.gone)
        if observed_on >= moment.today:
            continue
        yield (
            position,
            Observation(
                course=treatment.case.course,
                session=session,
                kind=reaction.kind,
                severity=reaction.severity,
                observed_on=observed_on,
                resolved_on=gone_on if gone_on and gone_on < moment.today else None,
                recorded_by=treatment.operator.member,
            ),
        )


def _window(
    treatment: Treatment,
    *,
    session: Session,
    key: int,
    observations: Mapping[int, Observation],
    scenario: Scenario,
    left_open: frozenset[int],
) -> Told:
    clinician = scenario.organisation.clinician_at(treatment.site)
    versions = told(
        facts_of(treatment),
        treatment.healing,
        keys=[
            f"observation:{observations[position].pk}" if position in observations else ""
            for position in range(len(treatment.healing.reactions))
        ],
        until=scenario.moment.today - ONE_DAY,
        clinician=clinician.member.name,
    )
    window = versions[-1].window
    closes_at = None
    if window.earliest_on is not None:
        closes_at = earliest_instant(window.earliest_on, zone=treatment.site.sketch.time_zone)
    unseen = id(treatment) in left_open
    row = HealingWindow(
        pk=key,
        session=session,
        course=treatment.case.course,
        state=_state(versions[-1], closes_at, now=scenario.moment.now, unseen=unseen),
        opened_on=treatment.treated_on,
        earliest_on=window.earliest_on,
        advised_on=window.advised_on,
        closes_at=closes_at,
        number=len(versions),
    )
    return Told(treatment, row, versions, observations)


def _state(
    version: Version, closes_at: datetime | None, *, now: datetime, unseen: bool
) -> WindowState:
    """Only the clock closes a window, and only once its time has come."""
    if closes_at is None:
        return version.window.state
    return WindowState.CLOSED if closes_at <= now and not unseen else WindowState.OPEN


@step
def _write_decisions(windows: Sequence[Told], scenario: Scenario) -> None:
    """The releases; a decision names the version that the clinician saw."""
    for window in windows:
        for number, version in enumerate(window.versions):
            if version.event.cause is Cause.RELEASED:
                site = window.treatment.site
                window.decision = HealingDecision(
                    window=window.row,
                    kind=DecisionKind.RELEASE,
                    window_number=number,
                    reason=release_reason(window.treatment.healing),
                    decided_by=scenario.organisation.clinician_at(site).member,
                    decided_at=instant_at(version.event.on, DECIDED_AT, zone=site.zone),
                )
    insert(window.decision for window in windows if window.decision is not None)


def _versions(window: Told) -> Iterator[HealingWindowVersion]:
    for number, version in enumerate(window.versions, start=1):
        state = version.window.state
        yield HealingWindowVersion(
            window=window.row,
            number=number,
            state=WindowState.OPEN if state is WindowState.CLOSED else state,
            earliest_on=version.window.earliest_on,
            advised_on=version.window.advised_on,
            facts=facts_json(version.facts),
            outcomes=outcomes_json(version.window),
            cause=_cause(window, version),
        )


def _cause(window: Told, version: Version) -> str:
    match version.event.cause:
        case Cause.SESSION:
            return f"session:{window.row.session_id}"
        case Cause.RELEASED if window.decision is not None:
            return f"decision:{window.decision.pk}"
        case Cause.PATIENT:
            return f"patient:{window.treatment.case.patient.pk}"
        case _:
            return f"observation:{window.observations[version.event.about].pk}"
