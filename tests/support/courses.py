"""Builders of patients, tattoos, courses and sessions, and a small clinic ready to treat.

Everything is invented. Each builder takes what a test cares about and makes up the rest.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from clinics.models import Chain, Clinic, Room, StaffMember
from clinics.vocabulary import ResourceKind, Role
from core.db import unit
from courses.models import (
    Appointment,
    ClearanceGrade,
    Consent,
    ContactPoint,
    Course,
    HealingWindow,
    Observation,
    Patient,
    PrecautionAnswers,
    Session,
    Tattoo,
    TattooPart,
    TreatmentPass,
)
from courses.science.precautions import QUESTIONNAIRE_VERSION, QUESTIONS
from courses.services.healing import window_open
from courses.timing.words import MessagePurpose
from courses.vocabulary import (
    AppointmentStatus,
    CourseStatus,
    InkColour,
    SessionStatus,
    SkinResponse,
    Technique,
)
from devices.models import EmissionLine, Handpiece, Laser
from tests.support.api import Caller, sign_in
from tests.support.devices import (
    make_eyewear,
    make_fitted_handpiece,
    make_laser,
    make_pulse_entry,
)
from tests.support.factories import (
    actor_of,
    make_clinic,
    make_credential,
    make_resource,
    make_room,
    make_staff,
    number,
)

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)  # a Monday
HARMLESS = {"light_medicine": "none", "isotretinoin": "never"}
NOTHING_TO_DECLARE = {
    question.key: HARMLESS.get(question.key, "no")
    for question in QUESTIONS
    if question.asked_when is None
}
BLACK_OUTLINE = ((InkColour.BLACK, Technique.OUTLINE, 1.0),)


def make_patient(clinic: Clinic | None = None, **fields: Any) -> Patient:
    """A patient of skin type II who does not smoke."""
    clinic = clinic or make_clinic()
    defaults = {
        "given_name": "Invented",
        "family_name": f"Person {number()}",
        "birth_date": date(1990, 5, 17),
        "skin_type": 2,
    }
    return Patient.objects.create(
        chain=clinic.chain,
        home_clinic=clinic,
        resource=make_resource(clinic.chain, ResourceKind.PATIENT),
        **{**defaults, **fields},
    )


def make_contact_point(
    patient: Patient | None = None,
    *,
    consented_at: datetime | None = datetime(2026, 1, 5, 9, 0, tzinfo=UTC),
    **fields: Any,
) -> ContactPoint:
    """An e-mail address with consent to everything (None: without any)."""
    defaults = {"channel": "email", "address": f"person-{number()}@example.org"}
    point = ContactPoint.objects.create(patient=patient or make_patient(), **{**defaults, **fields})
    if consented_at is not None:
        say(point, "given", at=consented_at, source="form at the desk")
    return point


def say(
    point: ContactPoint,
    decision: str,
    *purposes: str,
    at: datetime,
    source: str = "by word of mouth",
) -> None:
    """The patient allows messages or wants no more, for these purposes (none named: all)."""
    Consent.objects.bulk_create(
        Consent(
            contact_point=point,
            purpose=purpose,
            decision=decision,
            decided_at=at,
            source=source,
            address=point.address,
            recorded_at=at,
        )
        for purpose in purposes or tuple(MessagePurpose)
    )
    point.refresh_from_db()


def make_tattoo(
    patient: Patient | None = None,
    *,
    parts: Iterable[tuple[InkColour, Technique, float]] = BLACK_OUTLINE,
    **fields: Any,
) -> Tattoo:
    """A moderate tattoo of 20 cm2 on the upper arm; one black outline unless parts are given."""
    defaults = {"site": "upper_arm", "area_cm2": 20.0, "ink_amount": "moderate"}
    tattoo = Tattoo.objects.create(patient=patient or make_patient(), **{**defaults, **fields})
    for colour, technique, share in parts:
        TattooPart.objects.create(tattoo=tattoo, colour=colour, technique=technique, share=share)
    return tattoo


def make_course(
    *tattoos: Tattoo,
    clinic: Clinic | None = None,
    status: CourseStatus = CourseStatus.ACTIVE,
    **fields: Any,
) -> Course:
    """A consented course for these tattoos of one patient, or for a new one."""
    chosen = tattoos or (make_tattoo(make_patient(clinic)),)
    patient = chosen[0].patient
    defaults = {"consented_on": date(2026, 1, 5), "started_on": date(2026, 1, 5)}
    course = Course.objects.create(
        chain=patient.chain,
        clinic=clinic or patient.home_clinic,
        patient=patient,
        status=status,
        **{**defaults, **fields},
    )
    course.tattoos.set(chosen)
    return course


def make_answers(
    patient: Patient,
    *,
    recorded_at: datetime = NOW,
    recorded_by: StaffMember | None = None,
    **answers: str,
) -> PrecautionAnswers:
    """Answers on the day of `recorded_at`; without any, that there is nothing to declare."""
    return PrecautionAnswers.objects.create(
        patient=patient,
        clinic=patient.home_clinic,
        questionnaire_version=QUESTIONNAIRE_VERSION,
        answers=answers or NOTHING_TO_DECLARE,
        answered_on=recorded_at.date(),
        expires_on=recorded_at.date() + timedelta(days=2),
        recorded_by=recorded_by or make_staff(patient.chain),
        recorded_at=recorded_at,
    )


@dataclass(frozen=True, slots=True)
class Ward:
    """One clinic with a room, a laser with a handpiece, a trained operator and a course."""

    clinic: Clinic
    room: Room
    laser: Laser
    handpiece: Handpiece
    operator: StaffMember
    course: Course

    @property
    def chain(self) -> Chain:
        return self.clinic.chain

    @property
    def part(self) -> TattooPart:
        return self.parts[0]

    @property
    def parts(self) -> list[TattooPart]:
        return list(TattooPart.objects.filter(tattoo__courses=self.course).order_by("pk"))

    def line(self, wavelength_nm: int = 1064) -> EmissionLine:
        return self.laser.laser_model.lines.get(wavelength_nm=wavelength_nm)

    def caller(self, role: Role) -> Caller:
        return sign_in(role, clinic=self.clinic)

    def pass_body(self, started_at: datetime | None = None, **changes: Any) -> dict[str, Any]:
        """A pass within all limits: 4 J/cm2 at 3 mm, 6 ns, 5 Hz, 200 pulses."""
        return {
            "line": self.line().pk,
            "handpiece": self.handpiece.pk,
            "parts": [self.part.pk],
            "started_at": (started_at or NOW - timedelta(minutes=30)).isoformat(),
            "spot_mm": 3,
            "fluence_j_cm2": 4,
            "pulse_duration_ns": 6,
            "rate_hz": 5,
            "pulses": 200,
            "responses": ["whitening"],
            **changes,
        }

    def session_body(self, started_at: datetime | None = None, **changes: Any) -> dict[str, Any]:
        """A session of one pass that passes every check."""
        starts = started_at or NOW - timedelta(minutes=30)
        return {
            "course": self.course.pk,
            "clinic": self.clinic.pk,
            "room": self.room.pk,
            "laser": self.laser.pk,
            "operator": self.operator.pk,
            "started_at": starts.isoformat(),
            "ended_at": (starts + timedelta(minutes=20)).isoformat(),
            "passes": [self.pass_body(starts + timedelta(minutes=5))],
            **changes,
        }


def make_ward(
    *,
    clinic: Clinic | None = None,
    parts: Iterable[tuple[InkColour, Technique, float]] = BLACK_OUTLINE,
    patient: dict[str, Any] | None = None,
    tattoo: dict[str, Any] | None = None,
    asked: bool = True,
    pairs: int = 2,
) -> Ward:
    """A ward whose course is active and has had no session, with fitting eyewear for two.

    With `asked`, the patient has nothing to declare on the day of `NOW`.
    """
    clinic = clinic or make_clinic()
    operator = make_staff(clinic.chain)
    make_credential(operator)
    laser = make_laser(clinic)
    make_eyewear(clinic, pairs=pairs)
    person = make_patient(clinic, **(patient or {}))
    if asked:
        make_answers(person, recorded_by=operator)
    return Ward(
        clinic=clinic,
        room=make_room(clinic),
        laser=laser,
        handpiece=make_fitted_handpiece(laser),
        operator=operator,
        course=make_course(make_tattoo(person, parts=parts, **(tattoo or {}))),
    )


def make_session(
    ward: Ward,
    started_at: datetime = NOW - timedelta(days=60),
    *,
    course: Course | None = None,
    parts: Iterable[TattooPart] | None = None,
    responses: Iterable[SkinResponse] = (),
    **fields: Any,
) -> Session:
    """A completed session of one pass, with its ledger entry; no window."""
    treated = list(parts) if parts is not None else ward.parts
    session = Session.objects.create(
        course=course or ward.course,
        clinic=ward.clinic,
        room=ward.room,
        laser=ward.laser,
        operator=ward.operator,
        **{
            "status": SessionStatus.COMPLETED,
            "started_at": started_at,
            "ended_at": started_at + timedelta(minutes=20),
            "treated_on": started_at.date(),
            **fields,
        },
    )
    entry = make_pulse_entry(
        ward.laser,
        ward.handpiece,
        fired_at=started_at,
        operator=ward.operator,
        line=ward.line(),
        source=f"session:{session.pk}",
        entry_key=f"session:{session.pk}:1",
    )
    row = TreatmentPass.objects.create(
        session=session,
        sequence=1,
        line=ward.line(),
        handpiece=ward.handpiece,
        started_at=started_at,
        spot_mm=3,
        fluence_j_cm2=4,
        pulse_duration_ns=6,
        rate_hz=5,
        pulses=entry.pulses,
        responses=list(responses),
        pulse_entry=entry,
    )
    row.parts.set(treated)
    return session


def make_window(session: Session, *, now: datetime | None = None) -> HealingWindow:
    """The healing window of a session, opened as the service opens it."""
    window = unit(
        lambda: window_open(
            session=session, actor=actor_of(session.operator), now=now or session.started_at
        )
    )
    assert window is not None
    return window


def make_observation(session: Session, **fields: Any) -> Observation:
    """A crust seen a week after the session; the window is not told."""
    defaults = {"kind": "crust", "observed_on": session.treated_on + timedelta(days=7)}
    return Observation.objects.create(
        course=session.course,
        session=session,
        recorded_by=session.operator,
        **{**defaults, **fields},
    )


def make_grade(part: TattooPart, graded_on: date, **fields: Any) -> ClearanceGrade:
    """A grade of 25 to 50 %."""
    defaults = {"low": 0.25, "high": 0.5, "graded_by": make_staff(part.tattoo.patient.chain)}
    return ClearanceGrade.objects.create(part=part, graded_on=graded_on, **{**defaults, **fields})


def make_appointment(ward: Ward, starts_at: datetime = NOW, **fields: Any) -> Appointment:
    """A booked appointment of the ward's course, without reservations."""
    defaults = {"status": AppointmentStatus.BOOKED, "wavelengths_nm": [1064]}
    return Appointment.objects.create(
        course=ward.course,
        clinic=ward.clinic,
        room=ward.room,
        operator=ward.operator,
        laser=ward.laser,
        starts_at=starts_at,
        ends_at=starts_at + timedelta(minutes=30),
        **{**defaults, **fields},
    )


def observe(caller: Caller, ward: Ward, kind: str, *, on: date, **fields: Any) -> dict[str, Any]:
    """Record over the API what the skin shows; the observation as it is answered."""
    body = {"course": ward.course.pk, "kind": kind, "observed_on": on.isoformat(), **fields}
    answer = caller.post("/observations", body)
    assert answer.status_code == 201, answer.json()
    shown: dict[str, Any] = answer.json()
    return shown
