"""What patients answered about precautions, and what it means on a day."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, Final

from django.contrib.postgres.aggregates import ArrayAgg

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from courses.errors import CourseUnknown, PatientUnknown
from courses.models import (
    Appointment,
    Course,
    Patient,
    PrecautionAnswers,
    PrecautionDecision,
    Tattoo,
)
from courses.science.precautions import (
    PRECAUTIONS,
    Answer,
    AnswerSheet,
    Clearance,
    PrecautionFinding,
    PrecautionResult,
    Subject,
    current_sheet,
    evaluate,
    known_answers,
    worsened,
)
from courses.science.precautions.rules import UNSURE_PRECAUTIONS
from courses.vocabulary import BodySite, InkColour, PrecautionDecisionKind

BY_ID: Final = {one.id: one for one in (*PRECAUTIONS, *UNSURE_PRECAUTIONS)}


@dataclass(frozen=True, slots=True)
class Known:
    """All answers of one patient, oldest first, and all decisions of clinicians about them."""

    sets: tuple[PrecautionAnswers, ...] = ()
    decisions: tuple[PrecautionDecision, ...] = ()

    def sheet(
        self, *, subject: Subject, day: date, known_at: datetime | None = None
    ) -> AnswerSheet:
        """The answers that stand on a day; with `known_at`, as they were known at that instant."""
        return current_sheet(
            [_answers(one) for one in self._sets(day, known_at)], today=day, subject=subject
        )

    def result(
        self, *, subject: Subject, day: date, known_at: datetime | None = None
    ) -> PrecautionResult:
        """What the answers mean on a day; see `sheet`."""
        return evaluate(
            self.sheet(subject=subject, day=day, known_at=known_at),
            clearances=self._clearances(day, known_at),
        )

    def _sets(self, day: date, known_at: datetime | None) -> list[PrecautionAnswers]:
        return [
            one
            for one in self.sets
            if one.answered_on <= day and (known_at is None or one.recorded_at <= known_at)
        ]

    def _clearances(self, day: date, known_at: datetime | None) -> list[Clearance]:
        """The newest decision about each precaution, unless its answer changed after it."""
        newest = {
            one.precaution: one
            for one in self.decisions
            if one.decided_on <= day and (known_at is None or one.decided_at <= known_at)
        }
        changed_at = self._changed_at(day, known_at)
        return [
            Clearance(
                precaution_id=one.precaution,
                by=one.decided_by.name,
                reason=one.reason,
                cleared_on=one.decided_on,
                valid_until=one.valid_until,
            )
            for one in newest.values()
            if one.kind == PrecautionDecisionKind.CLEAR
            and not _changed_after(one, changed_at=changed_at)
        ]

    def _changed_at(self, day: date, known_at: datetime | None) -> dict[str, datetime]:
        """When the answer to each question was last recorded as another one."""
        values: dict[str, Any] = {}
        changed: dict[str, datetime] = {}
        for one in self._sets(day, known_at):
            for key, value in one.answers.items():
                if values.get(key) != value:
                    values[key] = value
                    changed[key] = one.recorded_at
        return changed


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands for one patient, for one course or all tattoos, on a day.

    `new`: what stops now and did not when the appointment was booked.
    """

    patient_id: int
    course_id: int | None
    result: PrecautionResult
    asked: bool
    new: tuple[PrecautionFinding, ...] = ()

    @property
    def stops(self) -> bool:
        """Whether treatment may not go on."""
        return any(finding.stops for finding in self.result.findings)


def known_of(patient_ids: Collection[int]) -> Mapping[int, Known]:
    """Answers and decisions of these patients. Two queries."""
    sets: dict[int, list[PrecautionAnswers]] = defaultdict(list)
    decisions: dict[int, list[PrecautionDecision]] = defaultdict(list)
    for one in PrecautionAnswers.objects.filter(patient__in=patient_ids).order_by(
        "answered_on", "pk"
    ):
        sets[one.patient_id].append(one)
    for decision in (
        PrecautionDecision.objects.filter(patient__in=patient_ids)
        .select_related("decided_by")
        .order_by("pk")
    ):
        decisions[decision.patient_id].append(decision)
    return {pk: Known(sets=tuple(sets[pk]), decisions=tuple(decisions[pk])) for pk in patient_ids}


def patient_standing(
    patient_id: int, *, course_id: int | None, day: date | None, actor: Actor, now: datetime
) -> Standing:
    """What stands for a patient of the actor's chain; `day` None: today at the home clinic.

    Four queries. Raises PatientUnknown, CourseUnknown (also for one of another patient).
    """
    patient = (
        Patient.objects.visible_to(actor).select_related("home_clinic").filter(pk=patient_id)
    ).first()
    if patient is None:
        raise PatientUnknown(patient=patient_id)
    if course_id is not None and not patient.courses.filter(pk=course_id).exists():
        raise CourseUnknown(course=course_id)
    tattoos = Tattoo.objects.filter(patient=patient)
    if course_id is not None:
        tattoos = tattoos.filter(courses=course_id)
    known = known_of([patient.pk])[patient.pk]
    on = day or local_date(now, zone_named(patient.home_clinic.time_zone))
    return Standing(
        patient_id=patient.pk,
        course_id=course_id,
        result=known.result(subject=subject_of(patient, _seen(tattoos)), day=on),
        asked=bool(known.sets),
    )


def course_standing(course: Course, *, day: date) -> Standing:
    """What stands for the patient of a course on a local day. Three queries."""
    known = known_of([course.patient_id])[course.patient_id]
    tattoos = _seen(Tattoo.objects.filter(courses=course))
    return Standing(
        patient_id=course.patient_id,
        course_id=course.pk,
        result=known.result(subject=subject_of(course.patient, tattoos), day=day),
        asked=bool(known.sets),
    )


def appointment_standings(
    appointments: Iterable[Appointment], *, now: datetime
) -> dict[int, Standing]:
    """What stands for each appointment on its day, or today once it has come. Three queries.

    Appointments are read with clinic, course and patient. `new` is what has come up since it was
    booked.
    """
    rows = list(appointments)
    known = known_of({one.course.patient_id for one in rows})
    tattoos = _seen_by_course({one.course_id for one in rows})
    return {
        one.pk: _at_appointment(
            one, known=known[one.course.patient_id], tattoos=tattoos[one.course_id], now=now
        )
        for one in rows
    }


def subject_of(patient: Patient, tattoos: Iterable[tuple[str, Iterable[str]]]) -> Subject:
    """What the record says of the person and of tattoos, given as (site, colours)."""
    seen = list(tattoos)
    sites = [BodySite(site) for site, _ in seen]
    return Subject(
        birth_date=patient.birth_date,
        site=BodySite.HEAD if BodySite.HEAD in sites else next(iter(sites), None),
        colours=frozenset(InkColour(colour) for _, colours in seen for colour in colours),
        gold_on_record=patient.gold_therapy_ever,
    )


def subject_of_patient(patient: Patient) -> Subject:
    """What the record says of the person and of all tattoos. One query."""
    return subject_of(patient, _seen(Tattoo.objects.filter(patient=patient)))


def _at_appointment(
    appointment: Appointment,
    *,
    known: Known,
    tattoos: list[tuple[str, list[str]]],
    now: datetime,
) -> Standing:
    zone = zone_named(appointment.clinic.time_zone)
    day = max(local_date(appointment.starts_at, zone), local_date(now, zone))
    subject = subject_of(appointment.course.patient, tattoos)
    after = known.result(subject=subject, day=day)
    # Nobody is booked after gold medication: if it is on record now, it came after the booking.
    before = known.result(
        subject=replace(subject, gold_on_record=False),
        day=local_date(appointment.created_at, zone),
        known_at=appointment.created_at,
    )
    return Standing(
        patient_id=appointment.course.patient_id,
        course_id=appointment.course_id,
        result=after,
        asked=bool(known.sets),
        new=worsened(before, after=after),
    )


def _answers(one: PrecautionAnswers) -> tuple[Answer, ...]:
    return known_answers(one.answers, answered_on=one.answered_on)


def _changed_after(decision: PrecautionDecision, *, changed_at: Mapping[str, datetime]) -> bool:
    precaution = BY_ID.get(decision.precaution)
    changed = changed_at.get(precaution.question) if precaution else None
    return changed is not None and changed > decision.decided_at


def _seen(tattoos: Any) -> list[tuple[str, list[str]]]:
    rows = tattoos.annotate(colours=ArrayAgg("parts__colour", default=[])).values_list(
        "site", "colours"
    )
    return [(site, _colours(colours)) for site, colours in rows]


def _seen_by_course(course_ids: Collection[int]) -> Mapping[int, list[tuple[str, list[str]]]]:
    found: dict[int, list[tuple[str, list[str]]]] = defaultdict(list)
    rows = (
        Tattoo.objects.filter(courses__in=course_ids)
        .annotate(colours=ArrayAgg("parts__colour", default=[]))
        .values_list("courses", "site", "colours")
    )
    for course_id, site, colours in rows:
        found[course_id].append((site, _colours(colours)))
    return found


def _colours(colours: Iterable[str | None]) -> list[str]:
    """Without the gap of a tattoo that has no parts."""
    return [colour for colour in colours if colour is not None]
