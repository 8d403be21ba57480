"""What the skin shows: recorded, resolved, corrected; the healing window follows at once."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any, Final

from clinics.access import Actor
from core.db import command, step
from courses import locks
from courses.errors import (
    CourseUnknown,
    InError,
    ObservationUnknown,
    SessionUnknown,
    field_malformed,
)
from courses.healing import HoldUntil
from courses.models import Course, HealingWindow, Observation, Session, TattooPart
from courses.services.healing import (
    OPENED_BY,
    held_rules,
    recompute_after,
    session_of_finding,
)
from courses.vocabulary import CourseStatus, ObservationKind, ObservationStatus, Severity

# The latest local date on Earth runs 14 hours ahead of UTC.
EARTH_AHEAD: Final = timedelta(hours=14)


@command
def observation_record(
    *,
    course_id: int,
    session_id: int | None,
    fields: Mapping[str, Any],
    actor: Actor,
    now: datetime,
) -> Observation:
    """Record what the skin shows; without a session, that of the last one up to that day.

    Skin held until it is seen flat is looked at by a treating clinician. Raises CourseUnknown,
    SessionUnknown, InError, FieldsMalformed, NotAllowed.
    """
    course = _locked_course(course_id, actor=actor)
    observed_on: date = fields["observed_on"]
    session = (
        _session_of(course, session_id=session_id, observed_on=observed_on)
        if session_id is not None
        else session_of_finding(course, observed_on=observed_on)
    )
    observation = Observation(
        course=course, session=session, recorded_by_id=actor.staff_id, **fields
    )
    _check_dates(observation, now=now)
    if observation.kind == ObservationKind.FLAT:
        _require_clinician_to_release(session, actor=actor)
    observation.save(force_insert=True)
    recompute_after(observation, now=now)
    return observation


@command
def observation_resolve(
    *,
    observation_id: int,
    resolved_on: date,
    note: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Observation:
    """Record the day on which something had gone; again, to correct that day.

    Raises ObservationUnknown, Stale, InError, FieldsMalformed, NotAllowed.
    """
    observation = _locked(observation_id, actor=actor, expected_version=expected_version)
    if observation.kind == ObservationKind.RAISED:
        _require_clinician_to_release(observation.session, actor=actor)
    if observation.resolved_on is not None:
        if resolved_on < observation.resolved_on:
            actor.require("observation.correct")
        observation.status = ObservationStatus.AMENDED
    observation.resolved_on = resolved_on
    observation.note = note or observation.note
    _check_dates(observation, now=now)
    observation.save()
    recompute_after(observation, now=now)
    return observation


@command
def observation_enter_in_error(
    *,
    observation_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Observation:
    """Mark an observation as entered in error: it no longer counts, and stays to be seen.

    This may bring the window's date forward, so it is for treating clinicians. Raises
    ObservationUnknown, NotAllowed, Stale, InError.
    """
    actor.require("observation.correct")
    observation = _locked(observation_id, actor=actor, expected_version=expected_version)
    observation.status = ObservationStatus.ENTERED_IN_ERROR
    observation.status_reason = reason.strip()
    observation.save()
    recompute_after(observation, now=now)
    return observation


@step
def darkening_note(
    *, course: Course, part: TattooPart, observed_on: date, actor: Actor, now: datetime
) -> Observation:
    """Record that a part darkened, as its grade says. The course is locked."""
    observation = Observation.objects.create(
        course=course,
        session=session_of_finding(course, observed_on=observed_on),
        kind=ObservationKind.DARKENING,
        severity=Severity.MODERATE,
        observed_on=observed_on,
        note=f"Graded as darkened: {part.colour} {part.technique}",
        recorded_by_id=actor.staff_id,
    )
    recompute_after(observation, now=now)
    return observation


@step
def _locked_course(course_id: int, *, actor: Actor) -> Course:
    course = locks.lock_course(pk=course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=course_id)
    if course.status == CourseStatus.ENTERED_IN_ERROR:
        raise InError(course=course.pk)
    return course


@step
def _locked(observation_id: int, *, actor: Actor, expected_version: int | None) -> Observation:
    found = Observation.objects.visible_to(actor).filter(pk=observation_id)
    for course_id in found.values_list("course", flat=True):
        locks.lock_course(pk=course_id)
    observation = locks.lock_observation(pk=observation_id)
    if observation is None or observation.course.chain_id != actor.chain_id:
        raise ObservationUnknown(observation=observation_id)
    observation.check_version(expected_version)
    if observation.status == ObservationStatus.ENTERED_IN_ERROR:
        raise InError(observation=observation.pk)
    return observation


@step
def _session_of(course: Course, *, session_id: int, observed_on: date) -> Session:
    session: Session | None = course.sessions.filter(pk=session_id, status__in=OPENED_BY).first()
    if session is None:
        raise SessionUnknown(session=session_id)
    if observed_on < session.treated_on:
        raise field_malformed(
            "/observed_on",
            code="observed-before-treatment",
            detail=f"The session was on {session.treated_on}, after that day.",
        )
    return session


def _check_dates(observation: Observation, *, now: datetime) -> None:
    latest = (now + EARTH_AHEAD).date()
    began, seen, gone = observation.began_on, observation.observed_on, observation.resolved_on
    for pointer, day in (("/observed_on", seen), ("/resolved_on", gone)):
        if day is not None and day > latest:
            raise field_malformed(
                pointer, code="in_the_future", detail=f"{day} has not come anywhere yet."
            )
    if began is not None and began > seen:
        raise field_malformed(
            "/began_on", code="began-after-observed", detail="It began before it was seen."
        )
    if gone is not None and gone < seen:
        raise field_malformed(
            "/resolved_on",
            code="resolved-before-observed",
            detail=f"It was still seen on {seen}.",
        )


@step
def _require_clinician_to_release(session: Session | None, *, actor: Actor) -> None:
    """To see skin flat ends a hold that asks for a clinician's review."""
    for window in HealingWindow.objects.filter(session=session):
        holds = held_rules(window.versions.get(number=window.number))
        if HoldUntil.SEEN_FLAT in holds.values():
            actor.require("healing.decide")
