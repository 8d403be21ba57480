"""Laser models, lasers, handpieces, fittings and lock-outs, as rows not yet written."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import Chain, Resource, Room
from clinics.vocabulary import ResourceKind, Role
from courses.demo.moment import Moment
from courses.demo.organisation import Organisation, Person, Site
from courses.demo.plan_of_devices import (
    LASERS,
    LOCKED_OUT,
    MODELS,
    HandpieceSketch,
    LaserSketch,
    LineSketch,
)
from devices.models import (
    EmissionLine,
    Fitting,
    Handpiece,
    Laser,
    LaserAuthorisation,
    LaserModel,
    LockOut,
)
from devices.vocabulary import LockOutReason


@dataclass(slots=True)
class Line:
    """A line as a row, and how it is used."""

    sketch: LineSketch
    row: EmissionLine


@dataclass(slots=True)
class Model:
    """A laser model with its lines by wavelength (nm)."""

    row: LaserModel
    lines: dict[int, Line]


@dataclass(slots=True)
class Tip:
    """A handpiece with its one fitting."""

    sketch: HandpieceSketch
    row: Handpiece
    fitting: Fitting


@dataclass(slots=True)
class LaserUnit:
    """A laser at a clinic, with what is fitted to it and when it was locked out."""

    sketch: LaserSketch
    row: Laser
    model: Model
    site: Site
    tips: list[Tip]
    lock_outs: list[LockOut] = field(default_factory=list)


@dataclass(slots=True)
class Devices:
    """Everything that fires."""

    models: dict[str, Model]
    lasers: list[LaserUnit]
    authorisations: list[LaserAuthorisation]

    def at(self, site: Site) -> list[LaserUnit]:
        """The lasers of a clinic."""
        return [unit for unit in self.lasers if unit.site is site]


def make_devices(organisation: Organisation, moment: Moment) -> Devices:
    """Eight lasers of five models: one mobile, one locked out, one with a worn handpiece."""
    chain = organisation.chain
    models = {name: _model(name, lines, chain=chain) for name, lines in MODELS.items()}
    sites = {site.sketch.key: site for site in organisation.sites}
    lasers = [
        _laser(sketch, number=number, model=models[sketch.model], site=sites[sketch.clinic])
        for number, sketch in enumerate(LASERS, start=1)
    ]
    for unit in lasers:
        unit.tips = list(_tips(unit, moment=moment))
        unit.lock_outs = list(_lock_outs(unit, organisation=organisation, moment=moment))
    return Devices(models, lasers, list(_authorisations(organisation.people, models)))


def _model(name: str, lines: tuple[LineSketch, ...], *, chain: Chain) -> Model:
    row = LaserModel(chain=chain, name=f"{name} (invented)")
    return Model(
        row,
        {
            line.wavelength_nm: Line(
                line,
                EmissionLine(
                    laser_model=row,
                    wavelength_nm=line.wavelength_nm,
                    pulse_min_ns=line.pulse_ns[0],
                    pulse_max_ns=line.pulse_ns[1],
                    spot_sizes_mm=list(line.spots_mm),
                    max_energy_j=line.max_energy_j,
                    max_rate_hz=line.max_rate_hz,
                ),
            )
            for line in lines
        },
    )


def _laser(sketch: LaserSketch, *, number: int, model: Model, site: Site) -> LaserUnit:
    chain = site.clinic.chain
    row = Laser(
        chain=chain,
        clinic=site.clinic,
        room=_room(site, sketch.room),
        resource=Resource(chain=chain, clinic=site.clinic, kind=ResourceKind.LASER),
        laser_model=model.row,
        serial=f"DEMO-L{number:02d}",
        label=sketch.label,
    )
    return LaserUnit(sketch, row, model, site, tips=[])


def _room(site: Site, name: str | None) -> Room | None:
    return next((room for room in site.rooms if room.name == name), None)


def _tips(unit: LaserUnit, *, moment: Moment) -> Iterator[Tip]:
    clinic = unit.site.clinic
    for letter, sketch in zip("ABC", unit.sketch.handpieces, strict=False):
        row = Handpiece(
            chain=clinic.chain,
            resource=Resource(chain=clinic.chain, clinic=clinic, kind=ResourceKind.HANDPIECE),
            serial=f"{unit.row.serial}-H{letter}",
            spot_sizes_mm=list(sketch.spots_mm),
            counter_at_start=sketch.counter,
            rated_life_pulses=sketch.rated_life,
        )
        since, until = sketch.fitted_days
        period = DateTimeTZRange(
            _ago(moment, since), None if until is None else _ago(moment, until)
        )
        yield Tip(sketch, row, Fitting(laser=unit.row, handpiece=row, period=period))


def _lock_outs(unit: LaserUnit, *, organisation: Organisation, moment: Moment) -> Iterator[LockOut]:
    officer = organisation.first(Role.LASER_SAFETY_OFFICER).member
    chance = moment.chance("lock-out", unit.sketch.label)
    if chance.random() < 0.5:
        began = _ago(moment, chance.randint(40, 300)) + timedelta(hours=5)
        yield LockOut(
            laser=unit.row,
            period=DateTimeTZRange(began, began + timedelta(hours=chance.choice((19, 43, 67)))),
            reason=LockOutReason.SERVICE_DUE,
            note="Yearly service",
            placed_by=officer,
            released_by=officer,
            release_note="Serviced; output checked on each line",
        )
    if unit.sketch.label == LOCKED_OUT:
        yield LockOut(
            laser=unit.row,
            period=DateTimeTZRange(_ago(moment, 3), None),
            reason=LockOutReason.ENERGY_CHECK_FAILED,
            note="Output 22 % below the display; the handpiece is near its rated life",
            placed_by=officer,
        )


def _authorisations(people: list[Person], models: dict[str, Model]) -> Iterator[LaserAuthorisation]:
    for person in people:
        for credential in person.credentials:
            for name in person.sketch.laser_models:
                yield LaserAuthorisation(credential=credential, laser_model=models[name].row)


def _ago(moment: Moment, days: int) -> datetime:
    return moment.now - timedelta(days=days)
