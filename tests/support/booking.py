"""A small invented clinic with everything a visit needs, and a course that is ready for one."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.access import Actor
from clinics.models import Chain, Clinic, Room, StaffMember
from clinics.vocabulary import ResourceKind, Role
from core.spans import Span
from courses.models import Course, Patient, Tattoo, TattooPart
from courses.selectors.visits import Place, Visit
from courses.slots import Timeline
from courses.vocabulary import CourseStatus, InkColour, Technique
from devices.models import EmissionLine, Fitting, Handpiece, Laser, LaserModel
from tests.support.factories import (
    LONG_AGO,
    make_actor,
    make_clinic,
    make_credential,
    make_opening_week,
    make_resource,
    make_room,
    make_shift,
    make_staff,
    number,
)

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)  # a Monday
TOMORROW_TEN = datetime(2026, 3, 3, 10, 0, tzinfo=UTC)
WEEKS = 6


@dataclass(frozen=True, slots=True)
class Stage:
    """One clinic, one room, one operator, one laser with a handpiece, one active course."""

    chain: Chain
    clinic: Clinic
    room: Room
    operator: StaffMember
    laser: Laser
    handpiece: Handpiece
    course: Course
    desk: Actor

    def place(self, **changes: Any) -> Place:
        return Place(
            **{
                "clinic_id": self.clinic.pk,
                "room_id": self.room.pk,
                "operator_id": self.operator.pk,
                "laser_id": self.laser.pk,
                "handpiece_ids": (self.handpiece.pk,),
                **changes,
            }
        )

    def visit(self, starts_at: datetime = TOMORROW_TEN, *, minutes: int = 30) -> Visit:
        return Visit(
            starts_at=starts_at,
            timeline=Timeline.whole_visit(minutes),
            place=self.place(),
            wavelengths_nm=(1064,),
        )


def make_stage(
    *,
    clinic: Clinic | None = None,
    wavelengths_nm: tuple[int, ...] = (1064, 532),
    days: int = WEEKS * 7,
) -> Stage:
    """The whole stage, with shifts for so many days; several on one clinic share only that."""
    if clinic is None:
        clinic = make_clinic(country="")
        make_opening_week(clinic)
    chain = clinic.chain
    room = make_room(clinic, cleared_wavelengths_nm=list(wavelengths_nm))
    operator = make_operator(clinic, days=days)
    laser = make_laser(clinic, wavelengths_nm=wavelengths_nm)
    return Stage(
        chain=chain,
        clinic=clinic,
        room=room,
        operator=operator,
        laser=laser,
        handpiece=fit_handpiece(laser),
        course=make_running_course(clinic),
        desk=make_actor(Role.FRONT_DESK, clinic=clinic),
    )


def make_operator(clinic: Clinic, *, days: int = WEEKS * 7) -> StaffMember:
    """Someone trained on any laser, on shift from 8 to 18 UTC for the next weeks."""
    operator = make_staff(clinic.chain)
    make_credential(operator)
    first = NOW.replace(hour=8)
    for day in range(days):
        start = first + timedelta(days=day)
        make_shift(operator, clinic, Span(start, start + timedelta(hours=10)))
    return operator


def make_laser(clinic: Clinic, *, wavelengths_nm: tuple[int, ...] = (1064, 532)) -> Laser:
    """A mobile nanosecond laser."""
    model = LaserModel.objects.create(chain=clinic.chain, name=f"Model {number()}")
    for wavelength_nm in wavelengths_nm:
        EmissionLine.objects.create(
            laser_model=model,
            wavelength_nm=wavelength_nm,
            pulse_min_ns=5,
            pulse_max_ns=10,
            spot_sizes_mm=[2, 3, 4, 6],
            max_energy_j=1.0 if wavelength_nm > 600 else 0.5,
            max_rate_hz=10,
        )
    return Laser.objects.create(
        chain=clinic.chain,
        clinic=clinic,
        resource=make_resource(clinic.chain, ResourceKind.LASER, clinic=clinic),
        laser_model=model,
        serial=f"L{number()}",
    )


def fit_handpiece(laser: Laser, *, since: datetime = LONG_AGO) -> Handpiece:
    """A handpiece for all lines of the laser, fitted to it."""
    handpiece = Handpiece.objects.create(
        chain=laser.chain,
        resource=make_resource(laser.chain, ResourceKind.HANDPIECE, clinic=laser.clinic),
        serial=f"H{number()}",
        spot_sizes_mm=[2, 3, 4, 6],
    )
    handpiece.lines.set(laser.laser_model.lines.all())
    Fitting.objects.create(laser=laser, handpiece=handpiece, period=DateTimeTZRange(since, None))
    return handpiece


def make_running_course(clinic: Clinic, *, colour: InkColour = InkColour.BLACK) -> Course:
    """An active course of a new patient with a tattoo of one part."""
    chain = clinic.chain
    patient = Patient.objects.create(
        chain=chain,
        home_clinic=clinic,
        resource=make_resource(chain, ResourceKind.PATIENT),
        given_name="Invented",
        family_name=f"Person {number()}",
        birth_date=date(1990, 5, 17),
        skin_type=2,
    )
    tattoo = Tattoo.objects.create(
        patient=patient, site="forearm", area_cm2=25, ink_amount="moderate"
    )
    TattooPart.objects.create(tattoo=tattoo, colour=colour, technique=Technique.OUTLINE, share=1.0)
    course = Course.objects.create(
        chain=chain, clinic=clinic, patient=patient, status=CourseStatus.ACTIVE
    )
    course.tattoos.add(tattoo)
    return course
