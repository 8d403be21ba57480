"""The pre-checks of a session, asked of the rows that its record is made of.

A session that would be refused has no place in the demonstration: it stops the loading.
"""

from copy import copy
from typing import Any

from clinics.models import Credential
from clinics.vocabulary import CredentialKind
from courses.demo.answers import Asked
from courses.demo.devices import Devices
from courses.demo.eyewear import Stock
from courses.demo.organisation import Person
from courses.demo.treatment import Shot, Treatment
from courses.models import Appointment, TattooPart
from courses.selectors.precheck import PassDraft, SessionDraft, finding_json, report_of
from courses.selectors.precheck.context import Context
from courses.selectors.precheck.windows import WindowStanding
from courses.slots import OperatorCredential
from courses.vocabulary import AppointmentStatus, CourseStatus


class SessionUnfit(AssertionError):
    """A made-up session that the service itself would refuse."""


def checks_of(
    treatment: Treatment,
    *,
    appointment: Appointment,
    closed_windows: list[int],
    asked: Asked,
    devices: Devices,
    stock: Stock,
) -> list[dict[str, Any]]:
    """What the pre-checks find, as it is stored with the session. Raises SessionUnfit."""
    report = report_of(
        _context(
            treatment,
            appointment=appointment,
            closed_windows=closed_windows,
            asked=asked,
            devices=devices,
            stock=stock,
        )
    )
    if report.failed:
        said = "; ".join(finding.detail for finding in report.failed)
        raise SessionUnfit(f"session of {treatment.started_at}: {said}")
    return [finding_json(finding) for finding in report.findings]


def _context(
    treatment: Treatment,
    *,
    appointment: Appointment,
    closed_windows: list[int],
    asked: Asked,
    devices: Devices,
    stock: Stock,
) -> Context:
    """The course, its patient and parts as they stood then."""
    case, unit = treatment.case, treatment.laser
    course = copy(case.course)
    course.status = CourseStatus.ACTIVE
    course.patient = copy(case.patient)
    course.patient.gold_therapy_ever = False
    arrived = copy(appointment)
    arrived.status = AppointmentStatus.CHECKED_IN
    parts = [_then(part.row, treatment) for part in case.parts]
    return Context(
        draft=_draft(treatment, appointment),
        course=course,
        appointment=arrived,
        clinic=treatment.site.clinic,
        room=treatment.visit.diary.rooms[treatment.visit.slot.room_id],
        laser=unit.row,
        operator=treatment.operator.member,
        lines={line.row.pk: line.row for line in unit.model.lines.values()},
        handpieces={tip.row.pk: tip.row for tip in unit.tips},
        handpiece_lines={
            tip.row.pk: frozenset(unit.model.lines[nm].row.pk for nm in tip.sketch.lines_nm)
            for tip in unit.tips
        },
        parts={part.pk: part for part in parts},
        fittings=tuple(tip.fitting for tip in unit.tips),
        lock_outs=tuple(unit.lock_outs),
        credentials=tuple(_credentials(treatment.operator, devices)),
        windows=WindowStanding(
            open=(), closed_ids=tuple(closed_windows), later_sessions=(), bars=()
        ),
        precautions=asked.standing(treatment),
        eyewear=stock.standing(
            unit,
            room_id=appointment.room_id,
            line_ids=frozenset(shot.line.row.pk for shot in treatment.shots),
            on=treatment.treated_on,
        ),
        treated_on=treatment.treated_on,
    )


def _draft(treatment: Treatment, appointment: Appointment) -> SessionDraft:
    return SessionDraft(
        course_id=treatment.case.course.pk,
        started_at=treatment.started_at,
        passes=tuple(_pass(shot) for shot in treatment.shots),
        appointment_id=appointment.pk,
        clinic_id=appointment.clinic_id,
        room_id=appointment.room_id,
        laser_id=appointment.laser_id,
        operator_id=appointment.operator_id,
        ended_at=treatment.ended_at,
    )


def _pass(shot: Shot) -> PassDraft:
    return PassDraft(
        line_id=shot.line.row.pk,
        handpiece_id=shot.tip.row.pk,
        part_ids=tuple(part.row.pk for part in shot.parts),
        started_at=shot.started_at,
        spot_mm=shot.spot_mm,
        fluence_j_cm2=shot.fluence_j_cm2,
        pulse_duration_ns=shot.pulse_ns,
        rate_hz=shot.rate_hz,
        pulses=shot.pulses,
        responses=shot.responses,
    )


def _then(row: TattooPart, treatment: Treatment) -> TattooPart:
    part = copy(row)
    if part.cleared_on is not None and part.cleared_on > treatment.treated_on:
        part.cleared_on = None
    return part


def _credentials(person: Person, devices: Devices) -> list[OperatorCredential]:
    return [
        _credential(row, person=person, devices=devices)
        for row in person.credentials
        if row.kind == CredentialKind.LASER_OPERATION
    ]


def _credential(row: Credential, *, person: Person, devices: Devices) -> OperatorCredential:
    return OperatorCredential(
        valid_from=row.valid_during.lower,
        valid_until=row.valid_during.upper,
        wavelengths_nm=frozenset(row.wavelengths_nm),
        laser_model_ids=frozenset(
            devices.models[name].row.pk for name in person.sketch.laser_models
        ),
    )
