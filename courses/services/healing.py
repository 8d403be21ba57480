"""Healing windows: opened with a session, changed by what is seen, decided on by clinicians."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, Final

from clinics.access import Actor
from core.db import command, step
from courses import locks
from courses.errors import NothingHeld, WindowUnknown, input_refused
from courses.healing import Facts, Window, earliest_instant, facts_json, outcomes_json, shorten
from courses.models import (
    Course,
    HealingDecision,
    HealingWindow,
    HealingWindowVersion,
    Observation,
    Session,
)
from courses.selectors.healing import windows_of_course
from courses.selectors.healing_record import (
    WindowRecord,
    decisions_about,
    local_today,
    window_as_of,
)
from courses.vocabulary import DecisionKind, SessionStatus, WindowState

OPENED_BY = frozenset({SessionStatus.COMPLETED, SessionStatus.STOPPED})
CLOCK: Final = "clock"


@step
def window_open(*, session: Session, actor: Actor, now: datetime) -> HealingWindow | None:
    """Open the window of a session that treated skin; None for one that did not.

    Raises InputRefused when the chain's healing policy is not allowed.
    """
    del actor
    if session.status not in OPENED_BY:
        return None
    facts, computed = window_as_of(session, today=local_today(session, now=now))
    window = HealingWindow(
        session=session, course_id=session.course_id, opened_on=session.treated_on, number=1
    )
    _apply(window, computed, zone=session.clinic.time_zone)
    window.save(force_insert=True)
    version = _version(
        window,
        facts=facts_json(facts),
        outcomes=outcomes_json(computed),
        cause=f"session:{session.pk}",
    )
    version.save(force_insert=True)
    return window


@step
def window_recompute(*, window_id: int, cause: str, now: datetime) -> HealingWindow:
    """Compute a window anew as of `now` and store a version when anything but the day differs.

    `cause` names what made it (`observation:7`, `clock`). Locks the window's row. Rules only
    lengthen; a date comes forward only by a clinician's decision, or when an observation that
    asked for it was entered in error. Raises WindowUnknown.
    """
    window = locks.lock_healing_window(pk=window_id)
    if window is None:
        raise WindowUnknown(healing_window=window_id)
    newest = window.versions.get(number=window.number)
    computed = window_as_of(
        window.session,
        today=local_today(window.session, now=now),
        stored=newest.facts,
        decisions=decisions_about(window.pk),
    )
    version = _put(
        window, computed, newest=newest, cause=cause, zone=window.session.clinic.time_zone
    )
    if version is not None:
        window.save()
        version.save(force_insert=True)
    return window


@step
def window_close_if_due(*, window_id: int, now: datetime) -> HealingWindow:
    """Close an open window whose time has come, unless what is known by now holds it.

    What has not healed by then turns into a hold here: the rules look at the day. The closing is
    a version of its own, so that each closing has a number.
    """
    window = window_recompute(window_id=window_id, cause=CLOCK, now=now)
    version = _close(window, newest=window.versions.get(number=window.number), now=now)
    if version is not None:
        window.save()
        version.save(force_insert=True)
    return window


def window_closing(
    window: HealingWindow, record: WindowRecord, *, now: datetime
) -> list[HealingWindowVersion]:
    """The same on a (locked) window in memory: the versions that are to be written, in order.

    For closing many at once. Raises InputRefused.
    """
    today = local_today(record.session, now=now)
    zone = record.session.clinic.time_zone
    moved = _put(window, record.as_of(today), newest=record.newest, cause=CLOCK, zone=zone)
    closed = _close(window, newest=moved or record.newest, now=now)
    return [version for version in (moved, closed) if version is not None]


@step
def windows_recompute(*, courses: Iterable[Course], cause: str, now: datetime) -> None:
    """Compute anew the windows that count for these (locked) courses."""
    for course in sorted(courses, key=lambda one: one.pk):
        for pk in windows_of_course(course.pk).order_by("pk").values_list("pk", flat=True):
            window_recompute(window_id=pk, cause=cause, now=now)


@command
def window_release(
    *,
    window_id: int,
    rule_ids: Sequence[str],
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> HealingWindow:
    """Release holds of a window (`rule_ids` empty: all there are); for treating clinicians.

    The release counts for the findings that hold now; a new one holds again. Raises
    WindowUnknown, NotAllowed, Stale, NothingHeld.
    """
    window = _decide_on(window_id, actor=actor, expected_version=expected_version)
    held = held_rules(window.versions.get(number=window.number))
    wanted = set(rule_ids) or set(held)
    if not held or not wanted <= set(held):
        raise NothingHeld(held=sorted(held), asked=sorted(wanted))
    _decide(
        window, kind=DecisionKind.RELEASE, reason=reason, actor=actor, now=now, rule_ids=rule_ids
    )
    return window_recompute(window_id=window.pk, cause=_last_decision(window), now=now)


@command
def window_shorten(
    *,
    window_id: int,
    earliest_on: date,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> HealingWindow:
    """Give this one case an earlier date, with a reason; for treating clinicians.

    The window is marked as shortened for ever. Holds stay; what the clinician did not see binds
    again. Raises WindowUnknown, NotAllowed, Stale, InputRefused.
    """
    window = _decide_on(window_id, actor=actor, expected_version=expected_version)
    today = local_today(window.session, now=now)
    newest = window.versions.get(number=window.number)
    _, shown = window_as_of(
        window.session, today=today, stored=newest.facts, decisions=decisions_about(window.pk)
    )
    with input_refused():
        shorten(
            shown, earliest_on=earliest_on, decided_on=today, by=actor.staff_name, reason=reason
        )
    _decide(
        window,
        kind=DecisionKind.SHORTEN,
        reason=reason,
        actor=actor,
        now=now,
        earliest_on=earliest_on,
    )
    window.shortened = True
    window.save()
    return window_recompute(window_id=window.pk, cause=_last_decision(window), now=now)


@step
def session_of_finding(course: Course, *, observed_on: date) -> Session | None:
    """The session after which something was seen: the last one up to that day, if any."""
    return (
        course.sessions.filter(treated_on__lte=observed_on, status__in=OPENED_BY)
        .order_by("-started_at", "-pk")
        .first()
    )


@step
def recompute_after(observation: Observation, *, now: datetime) -> HealingWindow | None:
    """Compute anew the window of the session that an observation belongs to, if there is one."""
    window_id = HealingWindow.objects.filter(session=observation.session_id).values_list("pk")
    for (pk,) in window_id:
        return window_recompute(window_id=pk, cause=f"observation:{observation.pk}", now=now)
    return None


def held_rules(version: HealingWindowVersion) -> dict[str, str]:
    """The rules that hold a version of a window, and what ends each hold."""
    return {
        outcome["rule"]["id"]: outcome["hold"]
        for outcome in version.outcomes
        if outcome["hold"] is not None
    }


@step
def _decide_on(window_id: int, *, actor: Actor, expected_version: int | None) -> HealingWindow:
    actor.require("healing.decide")
    found = HealingWindow.objects.visible_to(actor).filter(pk=window_id)
    course_id = found.values_list("course_id", flat=True).first()
    if course_id is None:
        raise WindowUnknown(healing_window=window_id)
    locks.lock_course(pk=course_id)
    window = locks.lock_healing_window(pk=window_id)
    if window is None:
        raise WindowUnknown(healing_window=window_id)
    window.check_version(expected_version)
    return window


@step
def _decide(
    window: HealingWindow,
    *,
    kind: DecisionKind,
    reason: str,
    actor: Actor,
    now: datetime,
    **what: Any,
) -> None:
    HealingDecision.objects.create(
        window=window,
        kind=kind,
        reason=reason.strip(),
        window_number=window.number,
        decided_by_id=actor.staff_id,
        decided_at=now,
        **{name: list(value) if name == "rule_ids" else value for name, value in what.items()},
    )


def _last_decision(window: HealingWindow) -> str:
    return f"decision:{window.decisions.order_by('-pk').values_list('pk', flat=True)[0]}"


def _apply(window: HealingWindow, computed: Window, *, zone: str) -> None:
    """Put the computed dates on the row.

    Only the clock closes a window, so that the patient is called back; a window that was closed
    stays so while the rules agree.
    """
    closed = window.state == WindowState.CLOSED
    window.earliest_on = computed.earliest_on
    window.advised_on = computed.advised_on
    window.closes_at = (
        earliest_instant(computed.earliest_on, zone=zone) if computed.earliest_on else None
    )
    window.state = computed.state
    if computed.state == WindowState.CLOSED and not closed:
        window.state = WindowState.OPEN


def _told(facts: dict[str, Any], outcomes: list[Any]) -> tuple[dict[str, Any], list[Any]]:
    return {name: value for name, value in facts.items() if name != "today"}, outcomes


def _put(
    window: HealingWindow,
    computed: tuple[Facts, Window],
    *,
    newest: HealingWindowVersion,
    cause: str,
    zone: str,
) -> HealingWindowVersion | None:
    """Put what was computed on the row; its version, when anything but the day differs."""
    shown = (facts_json(computed[0]), outcomes_json(computed[1]))
    before = (window.state, window.earliest_on, window.advised_on)
    _apply(window, computed[1], zone=zone)
    after = (window.state, window.earliest_on, window.advised_on)
    if before == after and _told(*shown) == _told(newest.facts, newest.outcomes):
        return None
    window.number += 1
    return _version(window, facts=shown[0], outcomes=shown[1], cause=cause)


def _close(
    window: HealingWindow, *, newest: HealingWindowVersion, now: datetime
) -> HealingWindowVersion | None:
    """Put on the row that it is closed, where it is; the version that says so."""
    if window.state != WindowState.OPEN or window.closes_at is None or window.closes_at > now:
        return None
    window.state = WindowState.CLOSED
    window.number += 1
    return _version(window, facts=newest.facts, outcomes=newest.outcomes, cause=CLOCK)


def _version(
    window: HealingWindow, *, facts: dict[str, Any], outcomes: list[Any], cause: str
) -> HealingWindowVersion:
    return HealingWindowVersion(
        window=window,
        number=window.number,
        state=window.state,
        earliest_on=window.earliest_on,
        advised_on=window.advised_on,
        facts=facts,
        outcomes=outcomes,
        cause=cause,
    )
