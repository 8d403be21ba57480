"""What comes of an appointment: cancelled, not kept, arrived, ready to begin."""

from datetime import datetime
from typing import Any, Final

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.services.reservations import release
from core.db import command, step
from courses.errors import PrecautionsStand, VisitAnotherDay, VisitNotStarted
from courses.models import Appointment
from courses.policy import MEDICAL
from courses.science.precautions import PrecautionFinding
from courses.selectors.precautions import BY_ID, appointment_standings
from courses.services.booking.writing import locked_appointment, require_step, source_of
from courses.vocabulary import AppointmentStatus

ASK_A_CLINICIAN: Final = "What the patient answered has to be looked at by a treating clinician."


@command
def appointment_cancel(
    *,
    appointment_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Appointment:
    """Cancel an open appointment and free all that it kept busy. Raises StatusStepRefused."""
    del now
    appointment = locked_appointment(appointment_id, actor=actor, version=expected_version)
    end_visit(appointment, status=AppointmentStatus.CANCELLED, reason=reason)
    return appointment


@command
def appointment_no_show(
    *,
    appointment_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Appointment:
    """Record that the patient did not come. Raises VisitNotStarted before the visit's start."""
    appointment = locked_appointment(appointment_id, actor=actor, version=expected_version)
    if now < appointment.starts_at:
        raise VisitNotStarted(starts_at=appointment.starts_at.isoformat())
    end_visit(appointment, status=AppointmentStatus.NOSHOW, reason=reason)
    return appointment


@command
def appointment_arrive(
    *, appointment_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Appointment:
    """Record that the patient is here. Raises StatusStepRefused, VisitAnotherDay."""
    return _proceed(
        appointment_id, AppointmentStatus.ARRIVED, actor=actor, now=now, version=expected_version
    )


@command
def appointment_check_in(
    *, appointment_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Appointment:
    """Record that an arrived patient can be treated.

    Raises StatusStepRefused, VisitAnotherDay, and PrecautionsStand while an answer of the
    patient stops treatment. Which answer, it tells those who may see medical detail.
    """
    _require_no_precaution(appointment_id, actor=actor, now=now)
    return _proceed(
        appointment_id,
        AppointmentStatus.CHECKED_IN,
        actor=actor,
        now=now,
        version=expected_version,
    )


@step
def end_visit(appointment: Appointment, *, status: AppointmentStatus, reason: str) -> None:
    """End a (locked) appointment and free all that it kept busy. Raises StatusStepRefused."""
    require_step(appointment, status)
    appointment.status_reason = reason
    appointment.save()
    release(source=source_of(appointment))


@step
def _proceed(
    appointment_id: int,
    status: AppointmentStatus,
    *,
    actor: Actor,
    now: datetime,
    version: int | None,
) -> Appointment:
    appointment = locked_appointment(
        appointment_id, actor=actor, version=version, action="appointment.arrive"
    )
    zone = zone_named(appointment.clinic.time_zone)
    day = local_date(appointment.starts_at, zone)
    if local_date(now, zone) < day:
        raise VisitAnotherDay(on=day.isoformat(), time_zone=appointment.clinic.time_zone)
    require_step(appointment, status)
    appointment.save()
    return appointment


@step
def _require_no_precaution(appointment_id: int, *, actor: Actor, now: datetime) -> None:
    found = (
        Appointment.objects.visible_to(actor)
        .select_related("clinic", "course__patient")
        .filter(pk=appointment_id)
    )
    for standing in appointment_standings(found, now=now).values():
        stopping = [finding for finding in standing.result.findings if finding.stops]
        if stopping:
            medical = actor.may(MEDICAL)
            raise PrecautionsStand(
                " ".join(finding.text for finding in stopping) if medical else ASK_A_CLINICIAN,
                findings=[_told(finding, medical=medical) for finding in stopping],
                caution=standing.result.caution,
            )


def _told(finding: PrecautionFinding, *, medical: bool) -> dict[str, Any]:
    for_everybody = {
        "effect": finding.effect.code,
        "until": None if finding.until is None else finding.until.isoformat(),
        "clearable": BY_ID[finding.id].clearable,
    }
    detail = {"id": finding.id, "text": finding.text, "source": finding.basis.source}
    return {**for_everybody, **(detail if medical else {})}
