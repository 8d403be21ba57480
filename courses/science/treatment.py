"""How long a session takes: pulses to cover the area, and a timeline of who and what is busy.

Hexagonal coverage (plane geometry). Waits: the whitening of a pass is gone after about 20 minutes
(Kossida 2012, passes 20 minutes apart; Reddy 2013, bubbles absent at 20 minutes), with a clearing
agent after about 5 seconds (Reddy 2013: mean 5 s, range 3 to 10 s).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import groupby
from math import ceil, isfinite

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from courses.vocabulary import TreatmentRole
from devices.metrology import pulses_to_cover

LEAST = 1e-6
DEFAULT_OVERLAP = 0.10
WHITENING_WAIT_S = 20 * 60.0
CLEARING_AGENT_WAIT_S = 5.0
WHITENING_RANGE_S = (10 * 60.0, 30 * 60.0)
LONGEST_WAIT_S = 60 * 60.0
# Below this nobody can use the laser elsewhere in between (proposal).
SHORTEST_USEFUL_WAIT_S = 5 * 60.0
MAX_PASSES = 10
MAX_AREA_CM2 = 25_000.0
MAX_HOURS = 12.0

BASIS = (
    Basis(
        id="treatment-length.coverage",
        version="1",
        source="hexagonal grid, pitch = spot x (1 - overlap); edges ignored; overlap of about "
        "10 % from memory",
        kind=Kind.COMMON_PRACTICE,
    ),
    Basis(
        id="treatment-length.wait",
        version="1",
        source="Kossida 2012, J Am Acad Dermatol 66:271-277; Reddy 2013, Lasers Surg Med "
        "(PMID 23255145)",
        kind=Kind.PUBLISHED,
    ),
)


class SegmentKind(StrEnum):
    """What happens in a part of a session."""

    PREPARATION = "preparation"
    PASS = "pass"  # noqa: S105 - no password, a pass of the laser
    WAIT = "wait"
    AFTERCARE = "aftercare"


ROOM_AND_PATIENT = frozenset({TreatmentRole.ROOM, TreatmentRole.PATIENT})
EVERYTHING = frozenset(TreatmentRole)
DEFAULT_NEEDS: Mapping[SegmentKind, frozenset[TreatmentRole]] = {
    SegmentKind.PREPARATION: ROOM_AND_PATIENT | {TreatmentRole.OPERATOR},
    SegmentKind.PASS: EVERYTHING,
    SegmentKind.WAIT: ROOM_AND_PATIENT,
    SegmentKind.AFTERCARE: ROOM_AND_PATIENT | {TreatmentRole.OPERATOR},
}


@dataclass(frozen=True, slots=True)
class Beam:
    """One setting used in every pass: the area (cm2) it covers with which spot and rate.

    A tattoo of several colours has one beam for each wavelength. `key` is the caller's name (a
    wavelength, an emission line).
    """

    area_cm2: float
    spot_mm: float
    rate_hz: float
    overlap: float = DEFAULT_OVERLAP
    key: str = ""


@dataclass(frozen=True, slots=True)
class TreatmentPlan:
    """What the length follows from. Minutes of preparation and aftercare are the clinic's own.

    `firing_share` is the share of a pass in which the laser fires (1: without a pause); `wait_s`
    None means 20 minutes, or 5 seconds with a clearing agent. `changeover_min` is what the
    operator needs within a pass from one setting (`key`) to the next.
    """

    beams: tuple[Beam, ...]
    passes: int = 1
    clearing_agent: bool = False
    wait_s: float | None = None
    preparation_min: float = 10.0
    aftercare_min: float = 10.0
    firing_share: float = 1.0
    changeover_min: float = 0.0
    needs: Mapping[SegmentKind, frozenset[TreatmentRole]] = field(
        default_factory=lambda: DEFAULT_NEEDS
    )


@dataclass(frozen=True, slots=True)
class BeamPulses:
    """Pulses of one beam in one pass, and the seconds they take at its rate."""

    key: str
    pulses: int
    firing_s: float


@dataclass(frozen=True, slots=True)
class Segment:
    """A part of the session in seconds from its start, and what it keeps busy."""

    kind: SegmentKind
    number: int
    start_s: float
    end_s: float
    needs: frozenset[TreatmentRole]
    pulses: int = 0

    @property
    def minutes(self) -> float:
        """Length in minutes."""
        return (self.end_s - self.start_s) / 60


@dataclass(frozen=True, slots=True)
class BookingSegment:
    """Whole minutes in which the same roles are busy: what an appointment reserves."""

    minutes: int
    roles: frozenset[TreatmentRole]
    label: str


@dataclass(frozen=True, slots=True)
class TreatmentLength:
    """Pulses and the timeline of a session.

    `segments` are exact; `booking` is the same in whole minutes, each part rounded up, with parts
    of the same needs put together; `total_minutes` is its length.
    """

    beams: tuple[BeamPulses, ...]
    pulses_per_pass: int
    pulses: int
    passes: int
    firing_s_per_pass: float
    wait_s: float
    segments: tuple[Segment, ...]
    booking: tuple[BookingSegment, ...]
    total_s: float
    total_minutes: int
    warnings: tuple[str, ...]
    basis: tuple[Basis, ...] = BASIS
    caution: str = CAUTION

    def busy_minutes(self, role: TreatmentRole) -> tuple[tuple[int, int], ...]:
        """When a role is busy: minutes (from, until) after the start, touching spans merged."""
        spans: list[tuple[int, int]] = []
        at = 0
        for segment in self.booking:
            end = at + segment.minutes
            if role in segment.roles:
                start = spans.pop()[0] if spans and spans[-1][1] == at else at
                spans.append((start, end))
            at = end
        return tuple(spans)


def treatment_length(plan: TreatmentPlan) -> TreatmentLength:
    """Pulses per pass and the timeline: preparation, pass, wait, pass, ..., aftercare.

    Raises InvalidInput (field and rule) for values that cannot be, and for a session longer than
    12 hours.
    """
    _check(plan)
    beams = tuple(_beam_pulses(beam, number=n) for n, beam in enumerate(plan.beams))
    firing_s = sum(beam.firing_s for beam in beams)
    wait_s = _wait(plan)
    changes = len({beam.key for beam in beams}) - 1
    segments = _segments(
        plan,
        pass_s=firing_s / plan.firing_share + changes * plan.changeover_min * 60,
        wait_s=wait_s,
        pulses=sum(beam.pulses for beam in beams),
    )
    total_s = segments[-1].end_s
    if total_s > MAX_HOURS * 3600:
        raise _invalid(
            "plan",
            "session-too-long",
            f"The session would take {total_s / 3600:.1f} hours; divide the area.",
        )
    per_pass = sum(beam.pulses for beam in beams)
    booking = _booking(segments)
    return TreatmentLength(
        beams=beams,
        pulses_per_pass=per_pass,
        pulses=per_pass * plan.passes,
        passes=plan.passes,
        firing_s_per_pass=firing_s,
        wait_s=wait_s,
        segments=segments,
        booking=booking,
        total_s=total_s,
        total_minutes=sum(segment.minutes for segment in booking),
        warnings=_warnings(plan, wait_s=wait_s),
    )


def _check(plan: TreatmentPlan) -> None:
    if not plan.beams:
        raise _invalid("beams", "beams-missing", "Name at least one area, spot and rate.")
    for number, beam in enumerate(plan.beams):
        _check_beam(beam, where=f"beams.{number}")
    if isinstance(plan.passes, bool) or not 1 <= plan.passes <= MAX_PASSES:
        raise _invalid("passes", "passes-range", f"Passes are 1 to {MAX_PASSES}.")
    if plan.wait_s is not None and not 0 <= plan.wait_s <= LONGEST_WAIT_S:
        raise _invalid("wait_s", "wait-range", "A wait is 0 to 60 minutes.")
    if not 0.05 <= plan.firing_share <= 1:
        raise _invalid("firing_share", "firing-share-range", "The share is 0.05 to 1.")
    for name, minutes in (
        ("preparation_min", plan.preparation_min),
        ("aftercare_min", plan.aftercare_min),
        ("changeover_min", plan.changeover_min),
    ):
        if not 0 <= minutes <= 240:
            raise _invalid(name, "minutes-range", f"{name} is 0 to 240 minutes.")


def _check_beam(beam: Beam, *, where: str) -> None:
    _above_zero(beam.spot_mm, name=f"{where}.spot_mm", most=100.0)
    _above_zero(beam.rate_hz, name=f"{where}.rate_hz", most=1000.0)
    _above_zero(beam.area_cm2, name=f"{where}.area_cm2", most=MAX_AREA_CM2)
    if not 0 <= beam.overlap <= 0.9:
        raise _invalid(
            f"{where}.overlap", "overlap-range", "The overlap is 0 to 0.9 of the diameter."
        )


def _above_zero(value: float, *, name: str, most: float) -> None:
    if isinstance(value, bool) or not isfinite(value) or not LEAST <= value <= most:
        raise _invalid(name, "positive", f"{name} must be above 0 and at most {most:g}.")


def _beam_pulses(beam: Beam, *, number: int) -> BeamPulses:
    pulses = pulses_to_cover(beam.area_cm2, spot_mm=beam.spot_mm, overlap=beam.overlap)
    return BeamPulses(key=beam.key or str(number), pulses=pulses, firing_s=pulses / beam.rate_hz)


def _wait(plan: TreatmentPlan) -> float:
    if plan.passes == 1:
        return 0.0
    if plan.wait_s is not None:
        return plan.wait_s
    return CLEARING_AGENT_WAIT_S if plan.clearing_agent else WHITENING_WAIT_S


def _segments(
    plan: TreatmentPlan, *, pass_s: float, wait_s: float, pulses: int
) -> tuple[Segment, ...]:
    steps: list[tuple[SegmentKind, int, float]] = [
        (SegmentKind.PREPARATION, 1, plan.preparation_min * 60)
    ]
    for number in range(1, plan.passes + 1):
        if number > 1:
            steps.append((SegmentKind.WAIT, number - 1, wait_s))
        steps.append((SegmentKind.PASS, number, pass_s))
    steps.append((SegmentKind.AFTERCARE, 1, plan.aftercare_min * 60))
    segments: list[Segment] = []
    at = 0.0
    for kind, number, seconds in steps:
        if seconds == 0:
            continue
        too_short = kind is SegmentKind.WAIT and seconds < SHORTEST_USEFUL_WAIT_S
        segments.append(
            Segment(
                kind=kind,
                number=number,
                start_s=at,
                end_s=at + seconds,
                needs=plan.needs[SegmentKind.PASS if too_short else kind],
                pulses=pulses if kind is SegmentKind.PASS else 0,
            )
        )
        at += seconds
    return tuple(segments)


def _booking(segments: tuple[Segment, ...]) -> tuple[BookingSegment, ...]:
    booking = []
    for needs, group in groupby(segments, key=lambda segment: segment.needs):
        parts = list(group)
        seconds = parts[-1].end_s - parts[0].start_s
        numbers = [part.number for part in parts if part.kind is SegmentKind.PASS]
        label = parts[0].kind.value
        if len(numbers) > 1:
            label = f"passes {numbers[0]} to {numbers[-1]}"
        elif numbers:
            label = f"pass {numbers[0]}"
        booking.append(BookingSegment(minutes=ceil(seconds / 60 - 1e-9), roles=needs, label=label))
    return tuple(booking)


def _warnings(plan: TreatmentPlan, *, wait_s: float) -> tuple[str, ...]:
    if plan.passes == 1 or plan.clearing_agent:
        return ()
    low, high = WHITENING_RANGE_S
    minutes = f"A wait of {wait_s / 60:g} minutes"
    if wait_s < low:
        shielded = "whitening usually lasts 10 to 30 minutes and shields the ink"
        return (f"{minutes} without a clearing agent: {shielded}.",)
    return (f"{minutes} is longer than usual.",) if wait_s > high else ()


def _invalid(name: str, rule: str, message: str) -> InvalidInput:
    return InvalidInput(field=name, rule=rule, message=message)
