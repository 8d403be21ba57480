"""A treatment recorded: checks, passes, pulses in the ledger and the window, all or nothing."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from clinics.access import Actor
from core.db import command, constraint_as, step
from courses import locks
from courses.errors import (
    AlreadyRecorded,
    AppointmentUnknown,
    CourseUnknown,
    FieldsMalformed,
    InError,
    SessionRefused,
    SessionUnknown,
    field_malformed,
)
from courses.models import Appointment, Session, TreatmentPass
from courses.selectors.precheck import (
    Finding,
    PassDraft,
    Report,
    Result,
    SessionDraft,
    finding_json,
    report_of,
)
from courses.selectors.precheck.context import Context, context_of
from courses.services.healing import session_of_finding, window_open, windows_recompute
from courses.vocabulary import AppointmentStatus, ObservationStatus, SessionStatus, SkinResponse
from devices.locks import lock_laser
from devices.metrology import FiringSetting
from devices.services.ledger import pulse_entry_append, pulse_entry_take_back
from devices.vocabulary import PulsePurpose

CLOCKS_DIFFER: Final = timedelta(minutes=2)
TREATED: Final = (SessionStatus.COMPLETED, SessionStatus.STOPPED)


@command
def session_record(*, draft: SessionDraft, actor: Actor, now: datetime) -> Session:
    """Record a session that happened: all of it in one transaction, or nothing.

    Checks first; when one fails, nothing is written. A treating clinician may go on in spite of
    those that are overridable, with `draft.override_reason`. Then the session, its passes, one
    ledger entry a pass, the appointment as fulfilled, and the healing window. A torn epidermis
    makes the session `stopped` and holds the window. Raises CourseUnknown, AppointmentUnknown,
    FieldsMalformed, NotAllowed, AlreadyRecorded, SessionRefused, Busy.
    """
    _check_times(draft, now=now)
    course = locks.lock_course(pk=draft.course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=draft.course_id)
    appointment = _locked_appointment(draft, actor=actor)
    if draft.laser_id is None and appointment is not None:
        draft = replace(draft, laser_id=appointment.laser_id)
    if draft.laser_id is not None:
        lock_laser(pk=draft.laser_id, actor=actor)
    context = context_of(draft, actor=actor)
    actor.require_at(context.clinic.pk, "session.write")
    _refuse_second(context)
    report = _require_fit(context, actor=actor)
    session = _write_session(context, report, actor=actor)
    _write_passes(session, context, now=now)
    _fulfil(context)
    window_open(session=session, actor=actor, now=now)
    return session


def session_preview(*, draft: SessionDraft, actor: Actor) -> Report:
    """What the checks would say of a session, written nowhere; pulses may be left out.

    Raises CourseUnknown, AppointmentUnknown, FieldsMalformed, NotAllowed.
    """
    _check_order(draft)
    context = context_of(draft, actor=actor)
    actor.require_at(context.clinic.pk, "session.write")
    return report_of(context)


@command
def session_enter_in_error(
    *,
    session_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> Session:
    """Mark a session as entered in error: its pulses are taken back in the ledger.

    Its healing window no longer counts; that of the session before does again, with what was
    seen since. The appointment stays fulfilled, free for the session as it was. For treating
    clinicians. Raises SessionUnknown, NotAllowed, Stale, InError.
    """
    session = _locked_session(session_id, actor=actor)
    actor.require_at(session.clinic_id, "session.correct")
    session.check_version(expected_version)
    if session.status == SessionStatus.ENTERED_IN_ERROR:
        raise InError(session=session.pk)
    session.status = SessionStatus.ENTERED_IN_ERROR
    session.status_reason = _error_reason(session, reason=reason)
    session.appointment = None
    session.save()
    _hand_on_findings(session)
    windows_recompute(courses=[session.course], cause=f"session:{session.pk}", now=now)
    for one in session.passes.select_related("pulse_entry").order_by("pulse_entry"):
        pulse_entry_take_back(
            entry=one.pulse_entry,
            reason=f"Session {session.pk} entered in error: {reason.strip()}"[:400],
            entry_key=f"session:{session.pk}:{one.sequence}:in-error",
            actor=actor,
        )
    return session


def _check_times(draft: SessionDraft, *, now: datetime) -> None:
    latest = now + CLOCKS_DIFFER
    for pointer, instant in (("/started_at", draft.started_at), ("/ended_at", draft.ended_at)):
        if instant is not None and instant > latest:
            raise field_malformed(
                pointer, code="in_the_future", detail="What is recorded has happened."
            )
    if draft.status not in TREATED:
        raise field_malformed(
            "/status", code="status_unfit", detail="A recorded session is completed or stopped."
        )
    if not draft.passes:
        raise field_malformed(
            "/passes", code="required", detail="A session that treated has at least one pass."
        )
    _check_order(draft)
    _check_passes(draft, latest=latest)


def _check_order(draft: SessionDraft) -> None:
    """Times run forwards: start, each pass, end."""
    errors = []
    before = draft.started_at
    for index, one in enumerate(draft.passes):
        if one.started_at < before:
            errors.append(
                {
                    "pointer": f"/passes/{index}/started_at",
                    "code": "order",
                    "detail": "A pass starts after the session and the pass before it.",
                }
            )
        before = max(before, one.started_at)
        if one.ended_at is not None and one.ended_at < one.started_at:
            errors.append(
                {
                    "pointer": f"/passes/{index}/ended_at",
                    "code": "order",
                    "detail": "A pass ends after its start.",
                }
            )
    if draft.ended_at is not None and draft.ended_at < before:
        errors.append(
            {
                "pointer": "/ended_at",
                "code": "order",
                "detail": "The session ends after its start and its last pass.",
            }
        )
    if errors:
        raise FieldsMalformed(errors[0]["detail"], errors=errors)


def _check_passes(draft: SessionDraft, *, latest: datetime) -> None:
    errors = []
    for index, one in enumerate(draft.passes):
        if one.pulses is None:
            errors.append(
                {
                    "pointer": f"/passes/{index}/pulses",
                    "code": "required",
                    "detail": "Say how many pulses were fired.",
                }
            )
        if one.started_at > latest:
            errors.append(
                {
                    "pointer": f"/passes/{index}/started_at",
                    "code": "in_the_future",
                    "detail": "What is recorded has happened.",
                }
            )
    if errors:
        raise FieldsMalformed(errors[0]["detail"], errors=errors)


@step
def _locked_appointment(draft: SessionDraft, *, actor: Actor) -> Appointment | None:
    if draft.appointment_id is None:
        return None
    appointment = locks.lock_appointment(pk=draft.appointment_id)
    if appointment is None or appointment.course.chain_id != actor.chain_id:
        raise AppointmentUnknown(appointment=draft.appointment_id)
    return appointment


@step
def _refuse_second(context: Context) -> None:
    if context.appointment is None:
        return
    for pk in Session.objects.filter(appointment=context.appointment).values_list("pk", flat=True):
        raise AlreadyRecorded(appointment=context.appointment.pk, session=pk)


def _require_fit(context: Context, *, actor: Actor) -> Report:
    """The report, with what a clinician overrode marked so. Raises SessionRefused, NotAllowed."""
    report = report_of(context)
    if context.draft.override_reason:
        actor.require_at(context.clinic.pk, "session.override")
    if not report.failed:
        return report
    if not (report.overridable and context.draft.override_reason):
        failed = report.failed
        raise SessionRefused(
            " ".join(dict.fromkeys(one.detail for one in failed)),
            checks=[finding_json(one) for one in failed],
            overridable=report.overridable,
            caution=report.caution,
        )
    return Report(findings=tuple(_overridden(report.findings)), caution=report.caution)


def _overridden(findings: Iterable[Finding]) -> Iterable[Finding]:
    for one in findings:
        yield replace(one, result=Result.OVERRIDDEN) if one.result is Result.FAILED else one


@step
def _write_session(context: Context, report: Report, *, actor: Actor) -> Session:
    draft = context.draft
    torn = any(SkinResponse.TORN_EPIDERMIS in one.responses for one in draft.passes)
    overridden = any(one.result is Result.OVERRIDDEN for one in report.findings)
    session = Session(
        course=context.course,
        appointment=context.appointment,
        clinic=context.clinic,
        room=context.room,
        laser=context.laser,
        operator=context.operator,
        status=SessionStatus.STOPPED if torn else draft.status,
        status_reason=draft.status_reason or ("Torn epidermis" if torn else ""),
        started_at=draft.started_at,
        ended_at=draft.ended_at,
        treated_on=context.treated_on,
        clearing_agent=draft.clearing_agent,
        checks=[finding_json(one) for one in report.findings],
        override_reason=draft.override_reason if overridden else "",
        recorded_by_id=actor.staff_id,
        note=draft.note,
    )
    taken = AlreadyRecorded(appointment=draft.appointment_id)
    with constraint_as(courses_session_appointment_id_key=taken):
        session.save(force_insert=True)
    return session


@step
def _write_passes(session: Session, context: Context, *, now: datetime) -> None:
    rows = [
        _pass(session, context, one, sequence=sequence, now=now)
        for sequence, one in enumerate(context.draft.passes, start=1)
    ]
    written = TreatmentPass.objects.bulk_create(rows)
    through = TreatmentPass.parts.through
    through.objects.bulk_create(
        through(treatmentpass_id=row.pk, tattoopart_id=pk)
        for row, one in zip(written, context.draft.passes, strict=True)
        for pk in dict.fromkeys(one.part_ids)
    )


@step
def _pass(
    session: Session, context: Context, one: PassDraft, *, sequence: int, now: datetime
) -> TreatmentPass:
    pulses = one.pulses
    if pulses is None:
        raise ValueError("a recorded pass has pulses; _check_passes says so")
    line, handpiece = context.lines[one.line_id], context.handpieces[one.handpiece_id]
    entry = pulse_entry_append(
        laser=context.laser,
        handpiece=handpiece,
        line=line,
        pulses=pulses,
        purpose=PulsePurpose.TREATMENT,
        operator_id=context.operator.pk,
        fired_at=one.started_at,
        ended_at=one.ended_at,
        setting=FiringSetting(one.spot_mm, one.fluence_j_cm2, one.rate_hz),
        source=f"session:{session.pk}",
        entry_key=f"session:{session.pk}:{sequence}",
        now=now,
    )
    return TreatmentPass(
        session=session,
        sequence=sequence,
        line=line,
        handpiece=handpiece,
        started_at=one.started_at,
        spot_mm=one.spot_mm,
        fluence_j_cm2=one.fluence_j_cm2,
        pulse_duration_ns=one.pulse_duration_ns,
        rate_hz=one.rate_hz,
        pulses=pulses,
        responses=list(one.responses),
        pulse_entry=entry,
    )


@step
def _fulfil(context: Context) -> None:
    appointment = context.appointment
    if appointment is None:
        return
    appointment.status = AppointmentStatus.FULFILLED
    appointment.save()


@step
def _locked_session(session_id: int, *, actor: Actor) -> Session:
    found = Session.objects.visible_to(actor).filter(pk=session_id)
    for course_id in found.values_list("course", flat=True):
        locks.lock_course(pk=course_id)
    session = locks.lock_session(pk=session_id)
    if session is None or session.course.chain_id != actor.chain_id:
        raise SessionUnknown(session=session_id)
    return session


def _error_reason(session: Session, *, reason: str) -> str:
    """The reason, with the appointment that the session was for."""
    said = reason.strip()
    return (
        said if session.appointment_id is None else f"{said} (appointment {session.appointment_id})"
    )


@step
def _hand_on_findings(session: Session) -> None:
    """What was seen on the skin was seen: it belongs to the session before, if there is one."""
    seen = session.observations.exclude(status=ObservationStatus.ENTERED_IN_ERROR)
    for observation in seen.order_by("pk"):
        observation.session = session_of_finding(
            session.course, observed_on=observation.observed_on
        )
        observation.save()
