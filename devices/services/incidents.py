"""Incidents: recorded with their clocks, written about, closed."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from clinics.access import Actor
from clinics.models import Clinic
from core.db import command, step
from devices import locks
from devices.errors.duties import (
    ClockAhead,
    ClockRunning,
    ClockSettled,
    IncidentClockUnknown,
    IncidentClosed,
    IncidentMalformed,
)
from devices.models import Incident, IncidentClock, IncidentNote
from devices.safety.duty_rules import clock_due
from devices.safety.vocabulary import IncidentKind
from devices.selectors.start_up import duty_policy_of, duty_rules
from devices.services.clock import refuse_future
from devices.vocabulary import ClockStatus, IncidentStatus

MET: Final = ClockStatus.COMPLETED


@command
def incident_record(
    *, clinic: Clinic, fields: Mapping[str, Any], actor: Actor, now: datetime
) -> Incident:
    """Record an incident and start the clocks that the chain's policy has for its kind.

    `fields`: kind, actuality, occurred_at, known_at, summary, laser, room. Raises NotAllowed,
    InTheFuture, IncidentMalformed.
    """
    actor.require_at(clinic.pk, "incident.write")
    for name in ("occurred_at", "known_at"):
        refuse_future(fields[name], field=name, now=now)
    _refuse_unfit(clinic, fields)
    incident = Incident(clinic=clinic, reported_by_id=actor.staff_id, **fields)
    incident.save(force_insert=True)
    due: dict[str, datetime] = {}
    made: dict[str, IncidentClock] = {}
    for rule in duty_rules(duty_policy_of(clinic.chain_id)).clocks_for(IncidentKind(incident.kind)):
        due[rule.code] = clock_due(rule, known_at=incident.known_at, due=due)
        made[rule.code] = IncidentClock(
            incident=incident,
            code=rule.code,
            text=rule.text,
            source=rule.source,
            within=rule.within,
            follows=made.get(rule.after),
            due_at=due[rule.code],
        )
        made[rule.code].save(force_insert=True)
    return incident


@command
def incident_note_add(*, pk: int, text: str, actor: Actor, now: datetime) -> IncidentNote:
    """Write something about an incident, also about a closed one. Raises IncidentUnknown.

    Raises NotAllowed. What was written stays.
    """
    incident = locks.lock_incident(pk=pk, actor=actor)
    actor.require_at(incident.clinic_id, "incident.write")
    return _note(incident, text=text, actor=actor, now=now)


@command
def incident_clock_settle(
    *,
    pk: int,
    code: str,
    status: ClockStatus,
    at: datetime,
    reference: str,
    actor: Actor,
    now: datetime,
) -> IncidentClock:
    """Say that a clock was met, and how it is shown, or that it is not needed, and why.

    A clock that follows it counts from `at` when it was met; one that was cancelled leaves the
    next as it is. Raises IncidentUnknown, NotAllowed, IncidentClosed, IncidentClockUnknown,
    ClockSettled, ClockAhead, InTheFuture.
    """
    incident = locks.lock_incident(pk=pk, actor=actor)
    actor.require_at(incident.clinic_id, "incident.close")
    _refuse_closed(incident)
    refuse_future(at, field="at", now=now)
    if at < incident.occurred_at:
        raise _malformed("/at", "order", "It was met after the incident occurred.")
    clocks = IncidentClock.objects.filter(incident=incident, code=code).select_related("follows")
    clock: IncidentClock | None = clocks.first()
    if clock is None:
        raise IncidentClockUnknown(incident=pk, clock=code)
    if clock.status != ClockStatus.REQUESTED:
        raise ClockSettled(incident=pk, clock=code, status=clock.status)
    if clock.follows is not None and clock.follows.status == ClockStatus.REQUESTED:
        raise ClockAhead(incident=pk, clock=code, follows=clock.follows.code)
    clock.status, clock.settled_at = status, at
    clock.settled_by_id, clock.reference = actor.staff_id, reference
    clock.save()
    if status == MET:
        for later in clock.followed_by.filter(status=ClockStatus.REQUESTED):
            later.due_at = at + later.within
            later.save()
    said = "met" if status == MET else "not needed"
    _note(incident, text=f"{clock.text}: {said}. {reference}", actor=actor, now=now)
    return clock


@command
def incident_close(
    *,
    pk: int,
    status: IncidentStatus,
    outcome: str,
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Incident:
    """Close an incident with its outcome, or mark it as entered in error with the reason.

    Raises IncidentUnknown, NotAllowed, Stale, IncidentClosed; ClockRunning while a clock is
    neither met nor cancelled.
    """
    incident = locks.lock_incident(pk=pk, actor=actor)
    actor.require_at(incident.clinic_id, "incident.close")
    incident.check_version(expected_version)
    in_error = status == IncidentStatus.ENTERED_IN_ERROR
    if not in_error or incident.status == IncidentStatus.ENTERED_IN_ERROR:
        _refuse_closed(incident)
    running = incident.clocks.filter(status=ClockStatus.REQUESTED)
    if not in_error and running.exists():
        raise ClockRunning(incident=pk, clocks=[clock.code for clock in running])
    incident.status, incident.outcome = status, outcome
    incident.closed_at, incident.closed_by_id = now, actor.staff_id
    incident.save()
    _note(incident, text=f"{incident.get_status_display()}: {outcome}", actor=actor, now=now)
    return incident


@step
def _note(incident: Incident, *, text: str, actor: Actor, now: datetime) -> IncidentNote:
    note = IncidentNote(
        incident=incident, written_by_id=actor.staff_id, written_at=now, text=text[:4000]
    )
    note.save(force_insert=True)
    return note


def _refuse_closed(incident: Incident) -> None:
    if incident.status != IncidentStatus.IN_PROGRESS:
        raise IncidentClosed(incident=incident.pk, status=incident.status)


def _refuse_unfit(clinic: Clinic, fields: Mapping[str, Any]) -> None:
    if fields["known_at"] < fields["occurred_at"]:
        raise _malformed("/known_at", "order", "It is known after it occurred.")
    room = fields.get("room")
    if room is not None and room.clinic_id != clinic.pk:
        raise _malformed("/room", "elsewhere", "The room is of another clinic.")


def _malformed(pointer: str, code: str, detail: str) -> IncidentMalformed:
    told = {"pointer": pointer, "code": code, "detail": detail}
    return IncidentMalformed(detail, errors=[told])
