"""Who is laser safety officer of which clinic."""

from datetime import date
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateRange

from clinics.access import Actor
from clinics.models import Clinic, StaffMember
from clinics.selectors import credentials_on
from clinics.vocabulary import CredentialKind
from core.db import command, constraint_as
from devices import locks
from devices.errors.duties import OfficerPeriodMalformed, OfficerThere, OfficerUntrained
from devices.models import OfficerAppointment


@command
def officer_appoint(
    *,
    clinic: Clinic,
    staff_member: StaffMember,
    deputy: bool,
    valid_from: date,
    valid_until: date | None,
    note: str,
    actor: Actor,
) -> OfficerAppointment:
    """Make somebody laser safety officer of a clinic, or deputy, from day to day (end excluded).

    They hold a credential as officer on the first day. Raises NotAllowed, OfficerPeriodMalformed,
    OfficerUntrained, OfficerThere.
    """
    actor.require_at(clinic.pk, "officer.appoint")
    _refuse_backwards(valid_from, valid_until)
    held = credentials_on(
        valid_from, kind=CredentialKind.LASER_SAFETY_OFFICER, staff_ids=[staff_member.pk]
    )
    if not staff_member.active or not held.exists():
        raise OfficerUntrained(staff_member=staff_member.pk, day=valid_from.isoformat())
    row = OfficerAppointment(
        clinic=clinic,
        staff_member=staff_member,
        deputy=deputy,
        valid_during=DateRange(valid_from, valid_until),
        appointed_by_id=actor.staff_id,
        note=note,
    )
    with _one_at_a_time(clinic.pk):
        row.save(force_insert=True)
    return row


@command
def officer_end(
    *, pk: int, valid_until: date | None, expected_version: int | None, actor: Actor
) -> OfficerAppointment:
    """Say until when an appointment holds (excluded; None: as long as it does).

    Raises OfficerUnknown, NotAllowed, Stale, OfficerPeriodMalformed, and OfficerThere when it
    would run into a later one.
    """
    row = locks.lock_officer_appointment(pk=pk, actor=actor)
    actor.require_at(row.clinic_id, "officer.appoint")
    row.check_version(expected_version)
    if valid_until is None:
        return row
    _refuse_backwards(row.valid_during.lower, valid_until)
    row.valid_during = DateRange(row.valid_during.lower, valid_until)
    with _one_at_a_time(row.clinic_id):
        row.save()
    return row


def _one_at_a_time(clinic_id: int) -> Any:
    there = OfficerThere(clinic=clinic_id)
    return constraint_as(
        officerappointment_one_officer=there, officerappointment_once_a_person=there
    )


def _refuse_backwards(valid_from: date, valid_until: date | None) -> None:
    if valid_until is not None and valid_until <= valid_from:
        raise OfficerPeriodMalformed(field="valid_until", valid_from=valid_from.isoformat())
