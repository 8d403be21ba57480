"""The whole invented chain in memory: nothing of it is written yet."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import time, timedelta

from clinics.hours import instant_at
from clinics.models import Absence
from clinics.vocabulary import AbsenceReason, Role
from core.db import as_range
from core.spans import Span
from courses.demo.devices import Devices, make_devices
from courses.demo.diary import Diary
from courses.demo.endings import book_ahead, end_courses
from courses.demo.eyewear import Stock, make_eyewear
from courses.demo.history import Booking, Historian, Walk
from courses.demo.moment import Moment
from courses.demo.organisation import Organisation, make_organisation
from courses.demo.patients import Case, make_cases
from courses.demo.treatment import Treatment
from courses.vocabulary import TreatmentRole

SERVICED_IN_DAYS = 16


@dataclass(slots=True)
class Scenario:
    """Everything that is to be written."""

    moment: Moment
    organisation: Organisation
    devices: Devices
    eyewear: Stock
    walks: list[Walk]
    bookings: list[Booking]

    def treatments(self) -> list[Treatment]:
        """All sessions, in the order of their visits."""
        return [one.treatment for one in self.bookings if one.treatment is not None]

    def cases(self) -> list[Case]:
        """All patients with their courses."""
        return [walk.case for walk in self.walks]


def make_scenario(
    moment: Moment, *, patients: int, tell: Callable[[str], None] = lambda _: None
) -> Scenario:
    """Make the chain up. The same moment and number of patients give the same chain."""
    organisation = make_organisation(moment)
    devices = make_devices(organisation, moment)
    diaries = [
        Diary(site, organisation=organisation, devices=devices, moment=moment)
        for site in organisation.sites
    ]
    _service_ahead(organisation, diaries[-1], moment)
    historian = Historian(
        make_cases(organisation, moment, patients=patients),
        diaries=diaries,
        organisation=organisation,
        moment=moment,
    )
    historian.run(tell=tell)
    tell("visits ahead")
    book_ahead(historian)
    end_courses(historian)
    bookings = sorted(historian.bookings, key=lambda one: (one.visit.slot.start, one.case.number))
    eyewear = make_eyewear(organisation, devices, moment)
    return Scenario(moment, organisation, devices, eyewear, historian.walks, bookings)


def _service_ahead(organisation: Organisation, diary: Diary, moment: Moment) -> None:
    """The first laser of a clinic is away for service for a morning soon."""
    unit = diary.lasers[0]
    day = moment.today + timedelta(days=SERVICED_IN_DAYS)
    span = Span(
        instant_at(day, time(8), zone=diary.site.zone),
        instant_at(day, time(14), zone=diary.site.zone),
    )
    diary.block(TreatmentRole.LASER, 0, span)
    organisation.absences.append(
        Absence(
            resource=unit.row.resource,
            period=as_range(span),
            reason=AbsenceReason.SERVICE,
            note="Yearly service, engineer on site",
            entered_by=organisation.first(Role.LASER_SAFETY_OFFICER).member,
        )
    )
