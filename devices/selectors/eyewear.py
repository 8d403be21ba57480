"""Which eyewear a room has, and whether it fits what a laser emits there."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from django.db.models import Q

from devices.models import AccompanyingEmission, EmissionLine, Eyewear, EyewearPolicy
from devices.safety import (
    Density,
    Emission,
    Firing,
    Kept,
    Lens,
    Level,
    LimitSet,
    OutsideTables,
    People,
    Requirement,
    RoomCheck,
    TestConditions,
    check_room,
    read_mark,
    worst_requirement,
)
from devices.safety.duties import due_on
from devices.safety.ranges import tabled_duration
from devices.vocabulary import EyewearCheck, EyewearKind, EyewearState

NS: Final = 1e-9
DOUBLED_WITHIN: Final = 0.01


@dataclass(frozen=True, slots=True)
class EyewearQuestion:
    """Where, with which laser model, on which day, for whom; and what is fired there.

    `line_ids` or `wavelengths_nm` name what is fired; with neither, every line of the model.
    `others_present` are people besides the operator and the patient.
    """

    clinic_id: int
    room_id: int | None
    laser_model_id: int
    on: date
    line_ids: frozenset[int] = frozenset()
    wavelengths_nm: frozenset[int] = frozenset()
    others_present: int = 0

    @property
    def people(self) -> People:
        """The operator, the others, and one patient."""
        return People(staff=1 + self.others_present, patients=1)

    def fires(self, line: EmissionLine) -> bool:
        """Whether a line of the model is fired."""
        if self.line_ids or self.wavelengths_nm:
            return line.pk in self.line_ids or line.wavelength_nm in self.wavelengths_nm
        return True


@dataclass(frozen=True, slots=True)
class WorstLine:
    """The worst of a line, or (`fired_nm` is another) of what leaves the laser beside it."""

    line_id: int
    fired_nm: int
    emission: Emission
    requirement: Requirement

    def levels(self, test: TestConditions) -> tuple[Level, ...]:
        """The levels that eyewear needs, under other conditions of test."""
        return worst_requirement(self.emission, test=test).levels


@dataclass(frozen=True, slots=True)
class WorstLines:
    """All that a laser model can emit, and the lines (nm, why) that the tables do not reach."""

    lines: tuple[WorstLine, ...]
    outside: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class EyewearStanding:
    """What a chain demands, and what a check of the room found under it."""

    policy: EyewearPolicy
    check: RoomCheck


def eyewear_policy_of(chain_id: int) -> EyewearPolicy:
    """What the chain demands; the defaults, not stored, where it has said nothing. One query."""
    found: EyewearPolicy | None = EyewearPolicy.objects.filter(chain=chain_id).first()
    return found or EyewearPolicy(chain_id=chain_id)


def eyewear_standing(question: EyewearQuestion, *, policy: EyewearPolicy) -> EyewearStanding:
    """Whether the room has fitting eyewear for everyone and every wavelength. Three queries.

    Eyewear of the room counts, and what the clinic keeps for any of its rooms; what two rooms
    would use at once is not weighed.
    """
    lines, accompanying = lines_of_model(question.laser_model_id)
    kept = Eyewear.objects.filter(
        Q(room=None) | Q(room=question.room_id),
        clinic=question.clinic_id,
        chain=policy.chain_id,
    ).order_by("label")
    return EyewearStanding(
        policy,
        room_check(lines, accompanying, kept, question=question, policy=policy),
    )


def room_check(
    lines: Sequence[EmissionLine],
    accompanying: Sequence[AccompanyingEmission],
    eyewear: Iterable[Eyewear],
    *,
    question: EyewearQuestion,
    policy: EyewearPolicy,
) -> RoomCheck:
    """The same over rows at hand: the lines of the model with what accompanies them."""
    return check_room(
        firings_of(lines, accompanying, question=question, policy=policy),
        [kept_of(one, policy=policy, on=question.on) for one in eyewear],
        people=question.people,
        levels=policy.needs_levels,
    )


def firings_of(
    lines: Sequence[EmissionLine],
    accompanying: Sequence[AccompanyingEmission],
    *,
    question: EyewearQuestion,
    policy: EyewearPolicy,
) -> Iterator[Firing]:
    """What each line that is fired asks of eyewear, with all that leaves the laser beside it."""
    for line in lines:
        if not question.fires(line):
            continue
        beside = dict(_beside(line, lines, accompanying))
        emitted = (line.wavelength_nm, *sorted(beside))
        try:
            needs = tuple(
                requirement_of(
                    line,
                    policy=policy,
                    wavelength_nm=nm,
                    energy_j=beside.get(nm, line.max_energy_j),
                )
                for nm in emitted
            )
        except OutsideTables as refused:
            yield Firing(line.wavelength_nm, emitted, untold=str(refused))
        else:
            yield Firing(line.wavelength_nm, emitted, needs)


def requirement_of(
    line: EmissionLine,
    *,
    policy: EyewearPolicy,
    wavelength_nm: int | None = None,
    energy_j: float | None = None,
) -> Requirement:
    """What the worst of a line asks, or of a wavelength beside it. Raises OutsideTables."""
    return worst_requirement(
        emission_of(line, wavelength_nm=wavelength_nm, energy_j=energy_j),
        limit_set=LimitSet(policy.limit_set),
        exposure_s=policy.exposure_s,
        margin=policy.margin,
    )


def emission_of(
    line: EmissionLine, *, wavelength_nm: int | None = None, energy_j: float | None = None
) -> Emission:
    """The worst that a line emits. Raises OutsideTables."""
    return Emission(
        wavelength_nm=float(wavelength_nm or line.wavelength_nm),
        pulse_min_s=line.pulse_min_ns * NS,
        pulse_max_s=line.pulse_max_ns * NS,
        smallest_spot_mm=min(line.spot_sizes_mm),
        max_energy_j=energy_j or line.max_energy_j,
        max_rate_hz=line.max_rate_hz,
    )


def worst_lines(
    laser_model_id: int, *, limit_set: LimitSet, exposure_s: float, margin: float
) -> WorstLines:
    """What each line of a laser model does at its worst, with what is beside it. Two queries.

    Raises InvalidQuantity, and OutsideTables for an exposure that the tables do not reach.
    """
    tabled_duration(exposure_s, field="exposure_s")
    lines, accompanying = lines_of_model(laser_model_id)
    found: list[WorstLine] = []
    outside: list[tuple[int, str]] = []
    for line in lines:
        emitted = {
            line.wavelength_nm: line.max_energy_j,
            **dict(_beside(line, lines, accompanying)),
        }
        for nm, energy_j in emitted.items():
            try:
                emission = emission_of(line, wavelength_nm=nm, energy_j=energy_j)
                requirement = worst_requirement(
                    emission, limit_set=limit_set, exposure_s=exposure_s, margin=margin
                )
            except OutsideTables as refused:
                outside.append((nm, str(refused)))
            else:
                found.append(WorstLine(line.pk, line.wavelength_nm, emission, requirement))
    return WorstLines(tuple(found), tuple(outside))


def lines_of_model(
    laser_model_id: int,
) -> tuple[list[EmissionLine], list[AccompanyingEmission]]:
    """The lines of a laser model, and what accompanies any of them. Two queries."""
    lines = EmissionLine.objects.filter(laser_model=laser_model_id)
    accompanying = AccompanyingEmission.objects.filter(line__laser_model=laser_model_id)
    return (
        list(lines.order_by("wavelength_nm", "pulse_min_ns")),
        list(accompanying.order_by("wavelength_nm")),
    )


def kept_of(eyewear: Eyewear, *, policy: EyewearPolicy, on: date) -> Kept:
    """A stored piece as the check takes it, with why it does not count on that day."""
    return Kept(
        key=eyewear.pk,
        label=eyewear.label,
        lens=Lens(
            densities=tuple(
                Density(one["low_nm"], one["high_nm"], one["density"]) for one in eyewear.densities
            ),
            marks=tuple(read_mark(mark) for mark in eyewear.marks),
        ),
        shield=eyewear.kind == EyewearKind.PATIENT_SHIELD,
        unusable=_unusable(eyewear, policy=policy, on=on),
    )


def eyewear_json(standing: EyewearStanding) -> dict[str, Any]:
    """What a check found, JSON-ready."""
    check = standing.check
    return {
        "enough": not check.lacking,
        "staff": check.people.staff,
        "patients": check.people.patients,
        "at_booking": EyewearCheck(standing.policy.at_booking).value,
        "at_session": EyewearCheck(standing.policy.at_session).value,
        "limit_set": LimitSet(standing.policy.limit_set).value,
        "firings": [
            {
                "wavelength_nm": fit.firing.fired_nm,
                "emitted_nm": list(fit.firing.emitted_nm),
                "needed": [one.text for one in fit.firing.requirements],
                "fitting": [one.label for one in fit.pairs],
                "shields": [one.label for one in fit.shields],
                "do_not_count": [
                    {"label": one.label, "reason": one.unusable} for one in fit.would_fit
                ],
            }
            for fit in check.fits
        ],
        "lacking": [
            {
                "wavelength_nm": one.fit.firing.fired_nm,
                "lacking_nm": list(one.wavelengths_nm),
                "needed": list(one.needed),
                "detail": one.text,
            }
            for one in check.lacking
        ],
    }


def _beside(
    line: EmissionLine,
    lines: Sequence[EmissionLine],
    accompanying: Sequence[AccompanyingEmission],
) -> Iterator[tuple[int, float]]:
    """Wavelengths beside a line with their energy: what is recorded, and what it is doubled from.

    A line at half the wavelength of another of its model is its doubled beam, and what is left of
    that one leaves the laser too, at worst with all its energy.
    """
    for other in lines:
        doubled = 2 * line.wavelength_nm
        if abs(other.wavelength_nm - doubled) <= DOUBLED_WITHIN * doubled:
            yield other.wavelength_nm, other.max_energy_j
    for one in accompanying:
        if one.line_id == line.pk:
            yield one.wavelength_nm, one.max_energy_j


def _unusable(eyewear: Eyewear, *, policy: EyewearPolicy, on: date) -> str:
    if eyewear.state != EyewearState.IN_USE:
        return str(eyewear.get_state_display()).lower()
    if eyewear.inspected_on is None:
        return "never inspected"
    due = due_on(eyewear.inspected_on, months=policy.inspection_months)
    return f"inspection was due on {due}" if on > due else ""
