"""Rows of the organisation, the devices and the patients, written in the order of their keys."""

from typing import Any

from clinics.models import Reservation
from clinics.vocabulary import ReservationReason
from core.db import step
from core.vocabulary import ReservationStatus
from courses.demo.devices import Devices
from courses.demo.inserting import insert, link
from courses.demo.organisation import Organisation
from courses.demo.patients import Case
from courses.models import Course
from devices.models import Handpiece


@step
def write_organisation(organisation: Organisation, devices: Devices) -> None:
    """The chain with clinics, rooms, people, and everything that fires; without sign-ins."""
    sites, people, lasers = organisation.sites, organisation.people, devices.lasers
    tips = [tip for unit in lasers for tip in unit.tips]
    organisation.chain.save(force_insert=True)
    insert(site.clinic for site in sites)
    rooms = [room for site in sites for room in site.rooms]
    owners: list[Any] = [*rooms, *(one.member for one in people), *(unit.row for unit in lasers)]
    insert(owner.resource for owner in [*owners, *(tip.row for tip in tips)])
    insert(rooms)
    insert(rule for site in sites for rule in site.rules)
    insert(row for site in sites for row in site.closures)
    insert(row for site in sites for row in site.overrides)
    insert(one.member for one in people)
    insert(row for one in people for row in one.memberships)
    insert(row for one in people for row in one.credentials)
    insert(row for one in people for row in one.shifts)
    _write_devices(devices)
    _write_absences(organisation)


@step
def write_patients(cases: list[Case]) -> None:
    """Patients with their contact points, consents, tattoos and courses."""
    insert(case.patient.resource for case in cases)
    insert(case.patient for case in cases)
    insert(point for case in cases for point in case.contact_points)
    insert(consent for case in cases for consent in case.consents)
    insert(tattoo for case in cases for tattoo in case.tattoos)
    insert(part.row for case in cases for part in case.parts)
    insert(case.course for case in cases)
    link(
        Course.tattoos.through,
        [(case.course.pk, tattoo.pk) for case in cases for tattoo in case.tattoos],
        fields=("course_id", "tattoo_id"),
    )
    insert(grade for case in cases for part in case.parts for grade in part.grades)


@step
def _write_devices(devices: Devices) -> None:
    insert(model.row for model in devices.models.values())
    insert(line.row for model in devices.models.values() for line in model.lines.values())
    insert(unit.row for unit in devices.lasers)
    tips = [(unit, tip) for unit in devices.lasers for tip in unit.tips]
    insert(tip.row for _, tip in tips)
    through: Any = Handpiece.lines.through
    link(
        through,
        [
            (tip.row.pk, unit.model.lines[nm].row.pk)
            for unit, tip in tips
            for nm in tip.sketch.lines_nm
        ],
        fields=("handpiece_id", "emissionline_id"),
    )
    insert(tip.fitting for _, tip in tips)
    insert(row for unit in devices.lasers for row in unit.lock_outs)
    insert(devices.authorisations)


@step
def _write_absences(organisation: Organisation) -> None:
    insert(organisation.absences)
    insert(
        Reservation(
            resource=absence.resource,
            period=absence.period,
            status=ReservationStatus.BUSY_UNAVAILABLE,
            reason=ReservationReason(absence.reason),
            source=f"absence:{absence.pk}",
        )
        for absence in organisation.absences
    )
