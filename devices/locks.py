"""Row locks of the devices, each with a name. All are FOR NO KEY UPDATE.

Order: part, laser model, line, laser, service plans, service visit, meter, handpiece, credential,
resource. A pulse entry, a fitting, a
lock-out and a move all lock the laser first, so that what one of them checked still holds when it
writes. Resources come last because a booking locks nothing but them.
"""

from collections.abc import Iterable
from typing import Any

from django.db.models import QuerySet

from clinics.models import Credential
from clinics.querysets import HasChain
from core.db import lock_rows
from core.errors import NotFound
from devices.errors import (
    AccompanyingUnknown,
    CredentialUnknown,
    EyewearUnknown,
    FittingUnknown,
    HandpieceUnknown,
    LaserModelUnknown,
    LaserUnknown,
    LineUnknown,
    LockOutUnknown,
)
from devices.errors.checks import EnergyCheckUnknown, MeterUnknown
from devices.errors.counters import CounterUnknown, DifferenceUnknown, LayoutUnknown
from devices.errors.duties import (
    DutyRecordUnknown,
    IncidentUnknown,
    OfficerUnknown,
)
from devices.errors.parts import InstallationUnknown, PartUnknown
from devices.errors.service import ServicePlanUnknown, ServiceVisitUnknown
from devices.models import (
    AccompanyingEmission,
    Counter,
    CounterDifference,
    CounterLayout,
    DutyPolicy,
    DutyRecord,
    EmissionLine,
    EnergyCheck,
    Eyewear,
    EyewearPolicy,
    Fitting,
    Handpiece,
    Incident,
    Installation,
    Laser,
    LaserModel,
    LockOut,
    Meter,
    OfficerAppointment,
    Part,
    ServicePlan,
    ServiceVisit,
)


def lock_laser_model(*, pk: int, actor: HasChain) -> LaserModel:
    """A laser model of the actor's chain, locked. Raises LaserModelUnknown."""
    model: LaserModel = _one(LaserModel.objects.visible_to(actor).filter(pk=pk), LaserModelUnknown)
    return model


def lock_line(*, pk: int, actor: HasChain) -> EmissionLine:
    """An emission line of the actor's chain, locked. Raises LineUnknown."""
    line: EmissionLine = _one(EmissionLine.objects.visible_to(actor).filter(pk=pk), LineUnknown)
    return line


def lock_lines(ids: Iterable[int], *, actor: HasChain) -> list[EmissionLine]:
    """These lines, locked in the order of their ids. Raises LineUnknown naming those missing."""
    wanted = set(ids)
    rows = lock_rows(EmissionLine.objects.visible_to(actor).filter(pk__in=wanted))
    if missing := wanted - {row.pk for row in rows}:
        raise LineUnknown(lines=sorted(missing))
    return rows


def lock_laser(*, pk: int, actor: HasChain) -> Laser:
    """A laser of the actor's chain, locked. Raises LaserUnknown."""
    laser: Laser = _one(Laser.objects.visible_to(actor).filter(pk=pk), LaserUnknown)
    return laser


def lock_handpiece(*, pk: int, actor: HasChain) -> Handpiece:
    """A handpiece of the actor's chain, locked. Raises HandpieceUnknown.

    Whatever fits it, takes it off or fires through it holds this lock, so its fittings and its
    ledger stand still meanwhile.
    """
    handpiece: Handpiece = _one(Handpiece.objects.visible_to(actor).filter(pk=pk), HandpieceUnknown)
    return handpiece


def lock_handpieces(ids: Iterable[int]) -> list[Handpiece]:
    """These handpieces, locked in the order of their ids."""
    return lock_rows(Handpiece.objects.filter(pk__in=set(ids)))


def lock_fitting(*, pk: int, actor: HasChain) -> Fitting:
    """A fitting, locked, with its laser and handpiece. Raises FittingUnknown.

    The laser and the handpiece are locked before it: the row itself comes last.
    """
    found = Fitting.objects.visible_to(actor).filter(pk=pk).values_list("laser", "handpiece")
    for laser_id, handpiece_id in found:
        lock_laser(pk=laser_id, actor=actor)
        lock_handpiece(pk=handpiece_id, actor=actor)
        rows = Fitting.objects.select_related("laser", "handpiece")
        fitting: Fitting = _one(rows.filter(pk=pk), FittingUnknown)
        return fitting
    raise FittingUnknown


def lock_lock_out(*, pk: int, actor: HasChain) -> LockOut:
    """A lock-out, locked, after its laser. Raises LockOutUnknown."""
    found = LockOut.objects.visible_to(actor).filter(pk=pk).values_list("laser", flat=True)
    for laser_id in found:
        lock_laser(pk=laser_id, actor=actor)
        rows = LockOut.objects.select_related("laser")
        lock_out: LockOut = _one(rows.filter(pk=pk), LockOutUnknown)
        return lock_out
    raise LockOutUnknown


def lock_part(*, pk: int, actor: HasChain) -> Part:
    """A part of the actor's chain, locked: where it sits stands still. Raises PartUnknown."""
    part: Part = _one(Part.objects.visible_to(actor).filter(pk=pk), PartUnknown)
    return part


def lock_installation(*, pk: int, actor: HasChain) -> Installation:
    """An installation, locked after its part. Raises InstallationUnknown."""
    found = Installation.objects.visible_to(actor).filter(pk=pk).values_list("part", flat=True)
    for part_id in found:
        lock_part(pk=part_id, actor=actor)
        rows = Installation.objects.select_related("part", "laser", "handpiece__resource")
        installation: Installation = _one(rows.filter(pk=pk), InstallationUnknown)
        return installation
    raise InstallationUnknown


def lock_service_plan(*, pk: int, actor: HasChain) -> ServicePlan:
    """A service plan, locked after its laser. Raises ServicePlanUnknown."""
    found = ServicePlan.objects.visible_to(actor).filter(pk=pk).values_list("laser", flat=True)
    for laser_id in found:
        lock_laser(pk=laser_id, actor=actor)
        rows = ServicePlan.objects.select_related("laser__clinic")
        plan: ServicePlan = _one(rows.filter(pk=pk), ServicePlanUnknown)
        return plan
    raise ServicePlanUnknown


def lock_service_plans(laser_id: int) -> list[ServicePlan]:
    """The plans of a (locked) laser that are in force, locked."""
    return lock_rows(ServicePlan.objects.filter(laser=laser_id, active=True))


def lock_service_visit(*, pk: int, actor: HasChain) -> ServiceVisit:
    """A service visit, locked after its laser. Raises ServiceVisitUnknown."""
    found = ServiceVisit.objects.visible_to(actor).filter(pk=pk).values_list("laser", flat=True)
    for laser_id in found:
        lock_laser(pk=laser_id, actor=actor)
        rows = ServiceVisit.objects.select_related("laser__clinic", "lock_out")
        visit: ServiceVisit = _one(rows.filter(pk=pk), ServiceVisitUnknown)
        return visit
    raise ServiceVisitUnknown


def lock_meter(*, pk: int, actor: HasChain) -> Meter:
    """A meter of the actor's chain, locked. Raises MeterUnknown."""
    meter: Meter = _one(Meter.objects.visible_to(actor).filter(pk=pk), MeterUnknown)
    return meter


def lock_energy_check(*, pk: int, actor: HasChain) -> EnergyCheck:
    """An energy check, locked after its laser. Raises EnergyCheckUnknown."""
    found = EnergyCheck.objects.visible_to(actor).filter(pk=pk).values_list("laser", flat=True)
    for laser_id in found:
        lock_laser(pk=laser_id, actor=actor)
        rows = EnergyCheck.objects.select_related("laser__clinic")
        check: EnergyCheck = _one(rows.filter(pk=pk), EnergyCheckUnknown)
        return check
    raise EnergyCheckUnknown


def lock_eyewear(*, pk: int, actor: HasChain) -> Eyewear:
    """A piece of eyewear of the actor's chain, locked. Raises EyewearUnknown."""
    rows = Eyewear.objects.visible_to(actor).select_related("clinic", "room")
    eyewear: Eyewear = _one(rows.filter(pk=pk), EyewearUnknown)
    return eyewear


def lock_eyewear_policy(*, actor: HasChain) -> EyewearPolicy | None:
    """What the actor's chain demands of eyewear, locked; None where it has said nothing."""
    return next(iter(lock_rows(EyewearPolicy.objects.visible_to(actor))), None)


def lock_accompanying_emission(*, pk: int, actor: HasChain) -> AccompanyingEmission:
    """What leaves a laser with a line, locked. Raises AccompanyingUnknown."""
    rows = AccompanyingEmission.objects.visible_to(actor).filter(pk=pk)
    emission: AccompanyingEmission = _one(rows, AccompanyingUnknown)
    return emission


def lock_credential(*, pk: int, actor: HasChain) -> Credential:
    """A credential of the actor's staff, locked. Raises CredentialUnknown."""
    credential: Credential = _one(
        Credential.objects.visible_to(actor).filter(pk=pk), CredentialUnknown
    )
    return credential


def _one(rows: QuerySet[Any], unknown: type[NotFound]) -> Any:
    for row in lock_rows(rows):
        return row
    raise unknown


def lock_counters(ids: Iterable[int], *, actor: HasChain) -> list[Counter]:
    """These counters of the actor's chain, locked in the order of their ids; after their laser.

    Whatever adds or corrects a reading holds this lock, so its readings stand still meanwhile.
    Raises CounterUnknown naming those missing.
    """
    wanted = set(ids)
    rows = lock_rows(
        Counter.objects.visible_to(actor)
        .filter(pk__in=wanted)
        .select_related("laser__clinic", "handpiece__resource__clinic")
    )
    if missing := wanted - {row.pk for row in rows}:
        raise CounterUnknown(counters=sorted(missing))
    return rows


def lock_counter(*, pk: int, actor: HasChain) -> Counter:
    """A counter of the actor's chain, locked. Raises CounterUnknown."""
    [counter] = lock_counters([pk], actor=actor)
    return counter


def lock_difference(*, pk: int, actor: HasChain) -> CounterDifference:
    """A difference between a counter and the ledger, locked. Raises DifferenceUnknown."""
    rows = CounterDifference.objects.select_related(
        "counter__laser", "counter__handpiece__resource", "earlier", "later"
    )
    difference: CounterDifference = _one(rows.visible_to(actor).filter(pk=pk), DifferenceUnknown)
    return difference


def lock_differences(rows: QuerySet[Any]) -> list[CounterDifference]:
    """These differences, locked in the order of their ids."""
    return lock_rows(rows)


def lock_counter_layout(*, pk: int, actor: HasChain) -> CounterLayout:
    """A layout of the actor's chain, locked. Raises LayoutUnknown."""
    layout: CounterLayout = _one(
        CounterLayout.objects.visible_to(actor).filter(pk=pk), LayoutUnknown
    )
    return layout


def lock_duty_policy(*, actor: HasChain) -> DutyPolicy | None:
    """What the actor's chain says of its duties, locked; None where it has said nothing."""
    return next(iter(lock_rows(DutyPolicy.objects.visible_to(actor))), None)


def lock_duty_record(*, pk: int, actor: HasChain) -> DutyRecord:
    """A record of a duty, locked. Raises DutyRecordUnknown."""
    rows = DutyRecord.objects.visible_to(actor).filter(pk=pk)
    record: DutyRecord = _one(rows, DutyRecordUnknown)
    return record


def lock_officer_appointment(*, pk: int, actor: HasChain) -> OfficerAppointment:
    """An appointment of an officer, locked. Raises OfficerUnknown."""
    rows = OfficerAppointment.objects.visible_to(actor).filter(pk=pk)
    row: OfficerAppointment = _one(rows, OfficerUnknown)
    return row


def lock_incident(*, pk: int, actor: HasChain) -> Incident:
    """An incident, locked: its clocks stand still meanwhile. Raises IncidentUnknown."""
    incident: Incident = _one(Incident.objects.visible_to(actor).filter(pk=pk), IncidentUnknown)
    return incident
