"""A person decides that a patient's personal data go; the record is closed at once."""

from datetime import datetime

from clinics.access import Actor
from core import jobs
from core.db import command, step
from courses import locks
from courses.errors import PatientUnknown
from courses.errors.erasure import CoursesOpen, StillRetained, VisitsOpen
from courses.models import Appointment, Course, Erasure, Patient
from courses.retention import CAUTION, retention_policy_of
from courses.selectors.retention import last_contact_of
from courses.vocabulary import AppointmentStatus, CourseStatus

OPEN_COURSES = (CourseStatus.DRAFT, CourseStatus.ACTIVE, CourseStatus.ON_HOLD)
OPEN_VISITS = (
    AppointmentStatus.PROPOSED,
    AppointmentStatus.PENDING,
    AppointmentStatus.BOOKED,
    AppointmentStatus.ARRIVED,
    AppointmentStatus.CHECKED_IN,
    AppointmentStatus.WAITLIST,
)


@command
def erasure_ask(
    *, patient_id: int, reason: str, despite_retention: bool, actor: Actor, now: datetime
) -> Erasure:
    """Note who decides and why, and close the record; a worker carries it out within minutes.

    Asked again it changes nothing and gives what was noted. `despite_retention` is the word of a
    person that law allows it before the chain's time is over. Raises PatientUnknown, NotAllowed,
    CoursesOpen, VisitsOpen, StillRetained.
    """
    actor.require("patient.erase")
    patient = locks.lock_patient_even_erased(pk=patient_id)
    if patient is None or patient.chain_id != actor.chain_id:
        raise PatientUnknown(patient=patient_id)
    if patient.erased_at is not None:
        return Erasure.objects.get(patient=patient)
    _refuse_open(patient)
    kept_until = retention_policy_of(patient.chain.retention_policy).kept_until(
        last_contact_of(patient)
    )
    still_kept = kept_until > now.date()
    if still_kept and not despite_retention:
        raise StillRetained(
            f"By the chain's policy it is kept until {kept_until}. {CAUTION}",
            kept_until=kept_until.isoformat(),
        )
    patient.erased_at = now
    patient.save()
    jobs.enqueue("courses.carry_out_erasures")
    return Erasure.objects.create(
        patient=patient,
        reason=reason,
        retained_until=kept_until if still_kept else None,
        asked_by_id=actor.staff_id,
        asked_at=now,
    )


@step
def _refuse_open(patient: Patient) -> None:
    courses = Course.objects.filter(patient=patient, status__in=OPEN_COURSES)
    if found := list(courses.order_by("pk").values_list("pk", flat=True)):
        raise CoursesOpen(courses=found)
    visits = Appointment.objects.filter(course__patient=patient, status__in=OPEN_VISITS)
    if found := list(visits.order_by("pk").values_list("pk", flat=True)):
        raise VisitsOpen(appointments=found)
