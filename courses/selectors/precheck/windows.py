"""How the healing windows of the skin to be treated stand at an instant."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from clinics.hours import local_date, zone_named
from courses.healing import REGISTRY, Effect, Facts, Window, earliest_instant
from courses.healing import Observation as Seen
from courses.models import Course, HealingWindow, Observation, Session
from courses.selectors.healing import windows_of_tattoos
from courses.selectors.healing_record import decisions_about, policy_of_chain, window_as_of
from courses.vocabulary import ObservationKind, ObservationStatus, SessionStatus, WindowState

BEFORE_FIRST = ("healing.sun", "healing.after-healed", "healing.infection")


@dataclass(frozen=True, slots=True)
class OpenWindow:
    """A window that has not closed: until when (None: no date can be said), and why."""

    window_id: int
    treated_on: date
    state: WindowState
    earliest_on: date | None
    closes_at: datetime | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bar:
    """What was seen before a first session and speaks against it, until when if that is known."""

    rule_id: str
    until: date | None
    reason: str


@dataclass(frozen=True, slots=True)
class WindowStanding:
    """Windows still open at the instant, sessions recorded after it, and bars before a first."""

    open: tuple[OpenWindow, ...]
    closed_ids: tuple[int, ...]
    later_sessions: tuple[int, ...]
    bars: tuple[Bar, ...]


def windows_standing(course: Course, *, tattoo_ids: Iterable[int], at: datetime) -> WindowStanding:
    """How the newest windows of these tattoos stand at `at`, with what is known by then.

    A window that the clock closed stays closed; an open one is computed as of that day, since
    what has not healed by then holds it.
    """
    tattoos = list(tattoo_ids)
    windows = list(
        windows_of_tattoos(tattoos).select_related(
            "session__course__patient", "session__course__chain"
        )
    )
    later = (
        Session.objects.filter(passes__parts__tattoo__in=tattoos, started_at__gte=at)
        .exclude(status=SessionStatus.ENTERED_IN_ERROR)
        .order_by("pk")
        .distinct()
    )
    standing = [(window, _open_at(window, at)) for window in windows]
    return WindowStanding(
        open=tuple(found for _, found in standing if found is not None),
        closed_ids=tuple(window.pk for window, found in standing if found is None),
        later_sessions=tuple(later.values_list("pk", flat=True)),
        bars=() if windows else bars_before_first(course, at=at),
    )


def bars_before_first(course: Course, *, at: datetime) -> tuple[Bar, ...]:
    """What was seen before any session and is not over by `at`: sun, infection, a wound."""
    day = local_date(at, zone_named(course.clinic.time_zone))
    seen = _seen_before(course)
    if not seen:
        return ()
    facts = Facts(
        treated_on=min(one.observed_on for one in seen),
        today=max(
            day, *(when for one in seen for when in (one.observed_on, one.resolved_on) if when)
        ),
        observations=seen,
    )
    policy = policy_of_chain(course.chain)
    bars = []
    for rule_id in BEFORE_FIRST:
        rule = REGISTRY[rule_id]
        verdict = rule.check(facts, rule.parameters_in(policy))
        held = [one for one in verdict.findings if one.resolved_on is None]
        if held or (verdict.on is not None and verdict.on > day):
            bars.append(
                Bar(rule_id=rule_id, until=None if held else verdict.on, reason=verdict.reason)
            )
    return tuple(bars)


def _open_at(window: HealingWindow, at: datetime) -> OpenWindow | None:
    if window.state == WindowState.CLOSED:
        return None
    session = window.session
    newest = window.versions.get(number=window.number)
    zone = session.clinic.time_zone
    _, computed = window_as_of(
        session,
        today=max(session.treated_on, local_date(at, zone_named(zone))),
        stored=newest.facts,
        decisions=decisions_about(window.pk),
    )
    closes_at = earliest_instant(computed.earliest_on, zone=zone) if computed.earliest_on else None
    if closes_at is not None and closes_at <= at:
        return None
    return OpenWindow(
        window_id=window.pk,
        treated_on=session.treated_on,
        state=WindowState.OPEN if closes_at else computed.state,
        earliest_on=computed.earliest_on,
        closes_at=closes_at,
        reasons=tuple(dict.fromkeys(_reasons(computed))),
    )


def _reasons(computed: Window) -> Iterable[str]:
    """Why the window is as it is: what bound without being mere advice, or who shortened it."""
    for outcome in computed.bound:
        if outcome.rule.effect is not Effect.ADVISE:
            yield outcome.reason
    if computed.shortening is not None:
        yield f"Shortened by {computed.shortening.by}: {computed.shortening.reason}"


def _seen_before(course: Course) -> tuple[Seen, ...]:
    rows = Observation.objects.filter(course=course, session=None).exclude(
        status=ObservationStatus.ENTERED_IN_ERROR
    )
    return tuple(
        Seen(
            kind=ObservationKind(row.kind),
            observed_on=row.observed_on,
            began_on=row.began_on,
            resolved_on=row.resolved_on,
            key=f"observation:{row.pk}",
        )
        for row in rows
    )
