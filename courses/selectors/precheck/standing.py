"""Checks of the course, its windows, the room, the laser and the people."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from core.vocabulary import DeviceStatus
from courses.selectors.precheck.context import Context
from courses.selectors.precheck.findings import Finding, failed, passed
from courses.selectors.precheck.windows import OpenWindow
from courses.vocabulary import AppointmentStatus, CourseStatus, WindowState

STANDS = frozenset(
    {AppointmentStatus.BOOKED, AppointmentStatus.ARRIVED, AppointmentStatus.CHECKED_IN}
)


def course_findings(context: Context) -> Iterator[Finding]:
    """The course, the appointment, and what may never be treated."""
    course = context.course
    if course.status == CourseStatus.ACTIVE:
        yield passed("course_active", pointer="/course")
    else:
        yield failed(
            "course_active",
            f"The course is {course.status}.",
            pointer="/course",
            status=course.status,
        )
    if context.appointment is not None:
        yield _appointment(context)
    if course.patient.gold_therapy_ever:
        yield failed(
            "never_treat",
            "Gold medication was taken at some time in life.",
            pointer="/course",
            rule="healing.gold",
        )
    elif not any(one.state == WindowState.NEVER for one in context.windows.open):
        yield passed("never_treat", pointer="/course")


def window_findings(context: Context) -> Iterator[Finding]:
    """The healing windows of the skin to be treated."""
    standing = context.windows
    for window in standing.open:
        yield _open_window(window, at=context.draft.started_at)
    if standing.later_sessions:
        yield failed(
            "window_closed",
            "A session of this skin at the same time or later is recorded already.",
            pointer="/started_at",
            sessions=list(standing.later_sessions),
        )
    if not standing.open and not standing.later_sessions:
        yield passed(
            "window_closed", pointer="/started_at", healing_windows=list(standing.closed_ids)
        )
    for bar in standing.bars:
        yield failed(
            "skin_ready",
            bar.reason,
            pointer="/started_at",
            rule=bar.rule_id,
            until=None if bar.until is None else bar.until.isoformat(),
        )


def place_findings(context: Context) -> Iterator[Finding]:
    """The room and the laser in it."""
    room, laser, clinic = context.room, context.laser, context.clinic
    if room.clinic_id == clinic.pk and room.active and room.laser_controlled:
        yield passed("room_controlled", pointer="/room")
    else:
        yield failed(
            "room_controlled",
            _room_fault(context),
            pointer="/room",
            clinic=room.clinic_id,
            active=room.active,
            laser_controlled=room.laser_controlled,
        )
    yield _when(
        laser.status == DeviceStatus.ACTIVE,
        "laser_in_service",
        f"The laser is {laser.status}.",
        pointer="/laser",
        status=laser.status,
    )
    yield _when(
        laser.clinic_id == clinic.pk,
        "laser_at_clinic",
        "The laser stands at another clinic.",
        pointer="/laser",
        clinic=laser.clinic_id,
    )
    yield _when(
        laser.room_id in (None, room.pk),
        "laser_in_room",
        "The laser is fixed in another room.",
        pointer="/laser",
        room=laser.room_id,
    )
    yield from _lock_outs(context)


def operator_findings(context: Context) -> Iterator[Finding]:
    """The operator's credential for each wavelength, on the day at the clinic."""
    if not context.operator.active:
        yield failed(
            "operator_credential", "This member of staff is not active.", pointer="/operator"
        )
        return
    for wavelength_nm in _wavelengths(context):
        yield _credential(context, wavelength_nm=wavelength_nm)


def _appointment(context: Context) -> Finding:
    appointment = context.appointment
    if appointment is None:
        raise ValueError("no appointment to check")
    if appointment.course_id != context.course.pk:
        return failed(
            "appointment_stands",
            "The appointment is one of another course.",
            pointer="/appointment",
        )
    # A fulfilled one whose session was entered in error is free for the session as it was;
    # that it has none is what the service asks first.
    if appointment.status not in {*STANDS, AppointmentStatus.FULFILLED}:
        return failed(
            "appointment_stands",
            f"The appointment is {appointment.status}.",
            pointer="/appointment",
            status=appointment.status,
        )
    return passed("appointment_stands", pointer="/appointment")


def _open_window(window: OpenWindow, *, at: datetime) -> Finding:
    if window.state == WindowState.NEVER:
        return failed(
            "never_treat",
            " ".join(window.reasons),
            pointer="/started_at",
            healing_window=window.window_id,
        )
    why = " ".join(window.reasons)
    detail = (
        f"Not before {window.earliest_on}. {why}"
        if window.closes_at
        else f"Held: no date can be said. {why}"
    )
    return failed(
        "window_closed",
        detail,
        pointer="/started_at",
        healing_window=window.window_id,
        state=window.state,
        last_treated_on=window.treated_on.isoformat(),
        earliest_on=None if window.earliest_on is None else window.earliest_on.isoformat(),
        closes_at=None if window.closes_at is None else window.closes_at.isoformat(),
        started_at=at.isoformat(),
    )


def _room_fault(context: Context) -> str:
    if context.room.clinic_id != context.clinic.pk:
        return "The room is one of another clinic."
    if not context.room.active:
        return "The room is not in use."
    return "The room is not laser-controlled."


def _when(holds: bool, check: str, detail: str, *, pointer: str, **numbers: Any) -> Finding:
    if holds:
        return passed(check, pointer=pointer)
    return failed(check, detail, pointer=pointer, **numbers)


def _lock_outs(context: Context) -> Iterator[Finding]:
    """A lock-out that holds when the session starts, or at any pass."""
    instants = {"/laser": context.draft.started_at} | {
        f"/passes/{index}/started_at": one.started_at
        for index, one in enumerate(context.draft.passes)
    }
    hit = [
        (pointer, lock_out)
        for pointer, instant in instants.items()
        for lock_out in context.lock_outs
        if lock_out.line_id is None and instant in lock_out.period
    ]
    for pointer, lock_out in hit[:1]:
        yield failed(
            "laser_not_locked_out",
            f"The laser is locked out: {lock_out.get_reason_display()}.",
            pointer=pointer,
            lock_out=lock_out.pk,
            reason=lock_out.reason,
            since=lock_out.period.lower.isoformat(),
        )
    if not hit:
        yield passed("laser_not_locked_out", pointer="/laser")


def _wavelengths(context: Context) -> Iterable[int]:
    return sorted({context.lines[one.line_id].wavelength_nm for one in context.draft.passes})


def _credential(context: Context, *, wavelength_nm: int) -> Finding:
    covering = [
        credential
        for credential in context.credentials
        if credential.covers(
            laser_model_id=context.laser.laser_model_id, wavelength_nm=wavelength_nm
        )
    ]
    day = context.treated_on
    if any(
        one.valid_from <= day and (one.valid_until is None or day < one.valid_until)
        for one in covering
    ):
        return passed("operator_credential", pointer="/operator", wavelength_nm=wavelength_nm)
    last = max((one.valid_until for one in covering if one.valid_until), default=None)
    detail = (
        f"No credential for this laser model at {wavelength_nm} nm is in date on {day}."
        if covering
        else f"No credential covers this laser model at {wavelength_nm} nm."
    )
    return failed(
        "operator_credential",
        detail,
        pointer="/operator",
        wavelength_nm=wavelength_nm,
        on=day.isoformat(),
        valid_until=None if last is None else last.isoformat(),
    )
