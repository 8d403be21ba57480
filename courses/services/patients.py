"""Patients and the ways to reach them."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, Final

from clinics.access import Actor
from clinics.models import Resource
from clinics.vocabulary import ResourceKind
from core.db import command, constraint_as
from core.encryption import blind_indexes
from courses import locks
from courses.errors import (
    ContactPointNotOff,
    ContactPointTaken,
    ContactPointUnknown,
    PatientUnknown,
    field_malformed,
)
from courses.models import ContactPoint, Course, Patient
from courses.services.consents import Said, consents_write
from courses.services.contact_address import checked_address
from courses.services.healing import windows_recompute
from courses.timing.words import ContactState
from courses.vocabulary import Channel, CourseStatus

OLDEST_YEARS: Final = 120
RUNNING: Final = (CourseStatus.ACTIVE, CourseStatus.ON_HOLD)
HEALING_FACTS: Final = frozenset({"skin_type", "smoker", "gold_therapy_ever"})


@command
def patient_create(*, fields: Mapping[str, Any], actor: Actor, now: datetime) -> Patient:
    """Add a patient to the actor's chain, with the resource that bookings keep busy.

    Raises FieldsMalformed for a birth date that cannot be.
    """
    _check_birth_date(fields["birth_date"], now=now)
    resource = Resource.objects.create(chain_id=actor.chain_id, kind=ResourceKind.PATIENT)
    return Patient.objects.create(chain_id=actor.chain_id, resource=resource, **fields)


@command
def patient_change(
    *,
    patient_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Patient:
    """Change a patient. What healing depends on is told to the windows in the same transaction.

    To take back that gold medication was ever taken is for a treating clinician. Raises
    PatientUnknown, Stale, NotAllowed, FieldsMalformed.
    """
    patient = locks.lock_patient(pk=patient_id)
    if patient is None or patient.chain_id != actor.chain_id:
        raise PatientUnknown(patient=patient_id)
    patient.check_version(expected_version)
    if "birth_date" in changes:
        _check_birth_date(changes["birth_date"], now=now)
    if patient.gold_therapy_ever and changes.get("gold_therapy_ever") is False:
        actor.require("healing.decide")
    changed = {name for name, value in changes.items() if getattr(patient, name) != value}
    for name in changed:
        setattr(patient, name, changes[name])
    patient.save()
    if changed & HEALING_FACTS:
        running = Course.objects.filter(patient=patient, status__in=RUNNING)
        windows_recompute(
            courses=locks.lock_courses(running.values_list("pk", flat=True)),
            cause=f"patient:{patient.pk}",
            now=now,
        )
    return patient


@command
def contact_point_create(
    *,
    patient_id: int,
    fields: Mapping[str, Any],
    consent: Said | None,
    actor: Actor,
    now: datetime,
) -> ContactPoint:
    """Add a way to reach a patient; the address is checked and brought into one form.

    With `consent` the patient's consent is recorded with it. Raises PatientUnknown,
    FieldsMalformed, ContactPointTaken.
    """
    patient = locks.lock_patient(pk=patient_id)
    if patient is None or patient.chain_id != actor.chain_id:
        raise PatientUnknown(patient=patient_id)
    point = ContactPoint(patient=patient)
    _set(point, fields)
    _refuse_taken(point)
    with constraint_as(contactpoint_address_once=ContactPointTaken(patient=patient.pk)):
        point.save(force_insert=True)
    if consent is not None:
        consents_write(
            point, said=consent, recorded_by_id=actor.staff_id, now=now, pointer="/consent"
        )
        point.refresh_from_db()
    return point


@command
def contact_point_change(
    *,
    contact_point_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    actor: Actor,
) -> ContactPoint:
    """Change a contact point: address, rank, quiet hours, zone.

    Raises ContactPointUnknown, Stale, FieldsMalformed, ContactPointTaken.
    """
    point = _locked_point(contact_point_id, actor=actor, expected_version=expected_version)
    _set(point, changes)
    _refuse_taken(point)
    with constraint_as(contactpoint_address_once=ContactPointTaken(patient=point.patient_id)):
        point.save()
    return point


@command
def contact_point_reinstate(
    *, contact_point_id: int, expected_version: int | None, actor: Actor
) -> ContactPoint:
    """Turn an address on again that bounced or was refused: a person says that it works.

    Who, when and why stand in the history. What the patient opted out of stays so. Steps that
    waited for want of an address are planned again; one that failed here does not come a second
    time. Raises ContactPointUnknown, Stale, ContactPointNotOff.
    """
    point = _locked_point(contact_point_id, actor=actor, expected_version=expected_version)
    if point.state != ContactState.OFF:
        raise ContactPointNotOff(contact_point=point.pk)
    _turn_on(point)
    point.save()
    return point


def _locked_point(
    contact_point_id: int, *, actor: Actor, expected_version: int | None
) -> ContactPoint:
    point = locks.lock_contact_point(pk=contact_point_id)
    if point is None or point.patient.chain_id != actor.chain_id:
        raise ContactPointUnknown(contact_point=contact_point_id)
    locks.refuse_erased(point.patient)
    point.check_version(expected_version)
    return point


def _set(point: ContactPoint, changes: Mapping[str, Any]) -> None:
    before = point.address
    for name, value in changes.items():
        setattr(point, name, value)
    if (point.quiet_from is None) != (point.quiet_until is None):
        raise field_malformed(
            "/quiet_until", code="both_or_none", detail="Quiet hours have a start and an end."
        )
    if "address" in changes or "channel" in changes:
        point.address = checked_address(
            point.address,
            channel=Channel(point.channel),
            country=point.patient.home_clinic.country,
        )
    if point.address != before:
        _turn_on(point)


def _refuse_taken(point: ContactPoint) -> None:
    """While index keys are changed, the constraint sees those under the same key only."""
    older = blind_indexes(point.address, realm=point.index_realm)[1:]
    same = ContactPoint.objects.filter(
        patient=point.patient_id, channel=point.channel, address_index__in=older
    )
    if older and same.exclude(pk=point.pk).exists():
        raise ContactPointTaken(patient=point.patient_id)


def _turn_on(point: ContactPoint) -> None:
    point.state, point.off_reason, point.off_at = ContactState.WORKING, "", None


def _check_birth_date(born: date, *, now: datetime) -> None:
    years = (now.date() - born).days / 365.2425
    if not 0 <= years <= OLDEST_YEARS:
        raise field_malformed(
            "/birth_date",
            code="out_of_range",
            detail=f"A birth date lies in the last {OLDEST_YEARS} years.",
        )
