"""What the lasers of a chain emit: by clinic for a person to choose, or all lines together."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Exists, OuterRef, QuerySet

from clinics.access import Actor
from core.vocabulary import DeviceStatus
from courses.science.fading.match import FiredLine
from courses.science.line_ranking import Line
from courses.science.pulses import PulseClass, check_pulse
from devices.models import EmissionLine, Laser, LockOut

NS = 1e-9


@dataclass(frozen=True, slots=True)
class ClinicLasers:
    """The lasers in service at one clinic; `locked_out` are those that may not fire now.

    `lines_out` are the lines locked out of single lasers, as (laser, line).
    """

    clinic_id: int
    name: str
    lasers: tuple[Laser, ...]
    locked_out: frozenset[int]
    lines_out: frozenset[tuple[int, int]] = frozenset()

    def may_fire(self, laser: Laser, *, line_id: int) -> bool:
        """Whether neither the laser nor this line of it is locked out."""
        return laser.pk not in self.locked_out and (laser.pk, line_id) not in self.lines_out

    def lines(self) -> list[EmissionLine]:
        """The lines of the clinic's lasers, each once, in a steady order."""
        found = {line.pk: line for laser in self.lasers for line in laser.laser_model.lines.all()}
        return sorted(found.values(), key=lambda line: (line.wavelength_nm, line.pk))

    def emitting(self, line_id: int) -> list[Laser]:
        """The lasers that emit a line."""
        return [
            laser
            for laser in self.lasers
            if any(line.pk == line_id for line in laser.laser_model.lines.all())
        ]


def lasers_by_clinic(*, actor: Actor, now: datetime) -> tuple[ClinicLasers, ...]:
    """The chain's lasers in service with their lines, clinic by clinic. Two queries."""
    held = LockOut.objects.filter(laser=OuterRef("pk"), period__contains=now)
    rows: Any = (
        Laser.objects.visible_to(actor)
        .filter(status=DeviceStatus.ACTIVE, clinic__active=True)
        .select_related("clinic", "laser_model")
        .prefetch_related("laser_model__lines")
        .annotate(
            locked=Exists(held.of_whole_lasers()),
            lines_out=ArraySubquery(held.filter(line__isnull=False).values("line_id")),
        )
        .order_by("clinic__name", "clinic", "pk")
    )
    clinics: dict[int, list[Any]] = {}
    for laser in rows:
        clinics.setdefault(laser.clinic_id, []).append(laser)
    return tuple(
        ClinicLasers(
            clinic_id=clinic_id,
            name=lasers[0].clinic.name,
            lasers=tuple(lasers),
            locked_out=frozenset(laser.pk for laser in lasers if laser.locked),
            lines_out=frozenset((laser.pk, pk) for laser in lasers for pk in laser.lines_out),
        )
        for clinic_id, lasers in clinics.items()
    )


def chain_lines(chain_id: int) -> QuerySet[EmissionLine]:
    """Every line that a laser in service of the chain emits, once."""
    emitting = Laser.objects.filter(
        laser_model=OuterRef("laser_model"), chain=chain_id, status=DeviceStatus.ACTIVE
    )
    return EmissionLine.objects.filter(Exists(emitting), laser_model__chain=chain_id)


def fired_lines(rows: Iterable[EmissionLine]) -> tuple[FiredLine, ...]:
    """The lines with pulses short enough for ink, as the fading model takes them."""
    lines = []
    for row in rows:
        pulse = check_pulse(row.pulse_min_ns * NS)
        if pulse.allowed:
            picosecond = pulse.pulse_class is PulseClass.PICOSECOND
            lines.append(FiredLine(wavelength_nm=row.wavelength_nm, picosecond=picosecond))
    return tuple(sorted(set(lines), key=lambda line: (line.wavelength_nm, line.picosecond)))


def ranking_line(row: EmissionLine) -> Line:
    """A stored line as the ranking takes it."""
    return Line(
        key=str(row.pk),
        wavelength_nm=row.wavelength_nm,
        pulse_min_s=row.pulse_min_ns * NS,
        pulse_max_s=row.pulse_max_ns * NS,
    )
