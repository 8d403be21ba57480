"""Everything the checks look at, read in a fixed number of queries."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, TypeVar

from django.contrib.postgres.expressions import ArraySubquery
from django.db import models
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange
from django.db.models import OuterRef, QuerySet

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.models import Clinic, Credential, Room, StaffMember
from clinics.vocabulary import CredentialKind
from courses.errors import AppointmentUnknown, CourseUnknown, FieldsMalformed
from courses.models import Appointment, Course, TattooPart
from courses.selectors.precautions import Standing, course_standing
from courses.selectors.precheck.draft import SessionDraft
from courses.selectors.precheck.windows import WindowStanding, windows_standing
from courses.slots import OperatorCredential
from devices.models import EmissionLine, Fitting, Handpiece, Laser, LaserAuthorisation, LockOut
from devices.selectors import (
    EyewearQuestion,
    EyewearStanding,
    eyewear_policy_of,
    eyewear_standing,
)
from devices.selectors.start_up import StartUpFinding, start_up_findings
from devices.vocabulary import EyewearCheck

M = TypeVar("M", bound=models.Model)


@dataclass(frozen=True, slots=True)
class Context:
    """A draft with all the rows it names, and what stands about them at its time.

    `draft` is complete: what it did not name is the appointment's. `lines`, `handpieces` and
    `parts` are by id.
    """

    draft: SessionDraft
    course: Course
    appointment: Appointment | None
    clinic: Clinic
    room: Room
    laser: Laser
    operator: StaffMember
    lines: Mapping[int, EmissionLine]
    handpieces: Mapping[int, Handpiece]
    handpiece_lines: Mapping[int, frozenset[int]]
    parts: Mapping[int, TattooPart]
    fittings: tuple[Fitting, ...]
    lock_outs: tuple[LockOut, ...]
    credentials: tuple[OperatorCredential, ...]
    windows: WindowStanding
    precautions: Standing
    eyewear: EyewearStanding | None
    treated_on: date
    start_up: tuple[StartUpFinding, ...] = ()


def context_of(draft: SessionDraft, *, actor: Actor) -> Context:
    """Read what the checks need. Raises CourseUnknown, AppointmentUnknown, FieldsMalformed."""
    course = _course(draft.course_id, actor=actor)
    appointment = _appointment(draft.appointment_id, actor=actor)
    draft = draft.completed_from(appointment)
    clinic = _one(Clinic.objects.visible_to(actor), draft.clinic_id, pointer="/clinic")
    room = _one(Room.objects.visible_to(actor), draft.room_id, pointer="/room")
    laser = _one(Laser.objects.visible_to(actor), draft.laser_id, pointer="/laser")
    operator = _one(StaffMember.objects.visible_to(actor), draft.operator_id, pointer="/operator")
    parts = {
        part.pk: part
        for part in TattooPart.objects.filter(tattoo__courses=course).select_related("tattoo")
    }
    lines = _lines(draft, actor=actor)
    handpieces = _handpieces(draft, actor=actor)
    _refuse_foreign_parts(draft, known=parts)
    treated = {parts[pk].tattoo_id for one in draft.passes for pk in one.part_ids}
    treated_on = local_date(draft.started_at, zone_named(clinic.time_zone))
    return Context(
        draft=draft,
        course=course,
        appointment=appointment,
        clinic=clinic,
        room=room,
        laser=laser,
        operator=operator,
        lines=lines,
        handpieces=handpieces,
        handpiece_lines={
            pk: frozenset(line.pk for line in handpiece.lines.all())
            for pk, handpiece in handpieces.items()
        },
        parts=parts,
        fittings=tuple(_fittings(draft, laser=laser)),
        lock_outs=tuple(_lock_outs(draft, laser=laser)),
        credentials=tuple(_credentials(operator)),
        windows=windows_standing(
            course,
            tattoo_ids=treated or {part.tattoo_id for part in parts.values()},
            at=draft.started_at,
        ),
        precautions=course_standing(course, day=treated_on),
        eyewear=_eyewear(draft, laser=laser, room=room, on=treated_on),
        treated_on=treated_on,
        start_up=start_up_findings(laser=laser, room=room, day=treated_on, at=draft.started_at),
    )


def _course(pk: int, *, actor: Actor) -> Course:
    rows = Course.objects.visible_to(actor).select_related("patient", "chain", "clinic")
    course: Course | None = rows.filter(pk=pk).first()
    if course is None:
        raise CourseUnknown(course=pk)
    return course


def _appointment(pk: int | None, *, actor: Actor) -> Appointment | None:
    if pk is None:
        return None
    appointment: Appointment | None = Appointment.objects.visible_to(actor).filter(pk=pk).first()
    if appointment is None:
        raise AppointmentUnknown(appointment=pk)
    return appointment


def _one(rows: "QuerySet[M]", pk: int | None, *, pointer: str) -> M:
    row = rows.filter(pk=pk).first()
    if row is None:
        raise _unknown([pointer])
    return row


def _lines(draft: SessionDraft, *, actor: Actor) -> dict[int, EmissionLine]:
    rows = EmissionLine.objects.visible_to(actor).in_bulk([one.line_id for one in draft.passes])
    _refuse_unknown((index, "line", one.line_id in rows) for index, one in enumerate(draft.passes))
    return rows


def _handpieces(draft: SessionDraft, *, actor: Actor) -> dict[int, Handpiece]:
    rows = (
        Handpiece.objects.visible_to(actor)
        .prefetch_related("lines")
        .in_bulk([one.handpiece_id for one in draft.passes])
    )
    _refuse_unknown(
        (index, "handpiece", one.handpiece_id in rows) for index, one in enumerate(draft.passes)
    )
    return rows


def _refuse_unknown(found: Iterable[tuple[int, str, bool]]) -> None:
    missing = [f"/passes/{index}/{name}" for index, name, known in found if not known]
    if missing:
        raise _unknown(missing)


def _refuse_foreign_parts(draft: SessionDraft, *, known: Mapping[int, TattooPart]) -> None:
    missing = [
        f"/passes/{index}/parts/{position}"
        for index, one in enumerate(draft.passes)
        for position, pk in enumerate(one.part_ids)
        if pk not in known
    ]
    if missing:
        raise _unknown(missing)


def _unknown(pointers: list[str]) -> FieldsMalformed:
    detail = "There is none of this key here."
    return FieldsMalformed(
        detail,
        errors=[
            {"pointer": pointer, "code": "does_not_exist", "detail": detail} for pointer in pointers
        ],
    )


def _during(draft: SessionDraft) -> DateTimeTZRange:
    """From the start to the end or to the last pass, both included."""
    last = max([draft.started_at, *(one.started_at for one in draft.passes)])
    return DateTimeTZRange(draft.started_at, max(last, draft.ended_at or last), "[]")


def _fittings(draft: SessionDraft, *, laser: Laser) -> QuerySet[Fitting]:
    return Fitting.objects.filter(laser=laser, period__overlap=_during(draft))


def _lock_outs(draft: SessionDraft, *, laser: Laser) -> QuerySet[LockOut]:
    return LockOut.objects.filter(laser=laser, period__overlap=_during(draft))


def _eyewear(draft: SessionDraft, *, laser: Laser, room: Room, on: date) -> EyewearStanding | None:
    """The eyewear of the room; None where the chain does not ask. Without passes: every line."""
    policy = eyewear_policy_of(laser.chain_id)
    if policy.at_session == EyewearCheck.OFF:
        return None
    question = EyewearQuestion(
        clinic_id=room.clinic_id,
        room_id=room.pk,
        laser_model_id=laser.laser_model_id,
        on=on,
        line_ids=frozenset(one.line_id for one in draft.passes),
        others_present=draft.others_present,
    )
    return eyewear_standing(question, policy=policy)


def _credentials(operator: StaffMember) -> Iterable[OperatorCredential]:
    """All laser credentials of a person, in date or not: the check says which date bound."""
    rows: Any = Credential.objects.filter(
        staff_member=operator, kind=CredentialKind.LASER_OPERATION
    ).annotate(
        model_ids=ArraySubquery(
            LaserAuthorisation.objects.filter(credential=OuterRef("pk")).values("laser_model_id")
        )
    )
    for row in rows:
        yield OperatorCredential(
            valid_from=row.valid_during.lower,
            valid_until=row.valid_during.upper,
            wavelengths_nm=frozenset(row.wavelengths_nm),
            laser_model_ids=frozenset(row.model_ids),
        )
