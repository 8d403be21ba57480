"""What happens in a session: the plan of a visit, the passes, and how much ink goes."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import pi

from clinics.hours import local_date
from courses.demo.devices import LaserUnit, Line, Tip
from courses.demo.diary import Visit
from courses.demo.organisation import Person, Site
from courses.demo.patients import Case, Part
from courses.demo.skin import Healing
from courses.healing import REGISTRY, Facts, Policy
from courses.models import ClearanceGrade
from courses.science.grading import ClearanceScale, band_of
from courses.science.treatment import DEFAULT_OVERLAP
from courses.science.wavelengths import InkPart, required_wavelengths
from courses.selectors.healing import earliest_of
from courses.selectors.plans import Technique, VisitPlan
from courses.vocabulary import BodySite, InkColour, SkinResponse, SkinType, TreatmentRole
from devices.metrology import pulses_to_cover

SLOW_SITES = REGISTRY["healing.limb"].parameters_in(Policy()).codes("sites")
USUAL_RATE_HZ = 8.0


@dataclass(frozen=True, slots=True)
class Shot:
    """One pass on one line over some parts."""

    sequence: int
    line: Line
    tip: Tip
    parts: tuple[Part, ...]
    started_at: datetime
    spot_mm: float
    fluence_j_cm2: float
    pulse_ns: float
    rate_hz: float
    pulses: int
    responses: tuple[SkinResponse, ...]

    @property
    def ends_at(self) -> datetime:
        """When the last pulse has been fired, pauses included."""
        return self.started_at + timedelta(seconds=round(self.pulses / self.rate_hz * 1.2 + 15))


@dataclass(slots=True)
class Treatment:
    """A session that took place; `number` counts those of the course."""

    case: Case
    number: int
    visit: Visit
    healing: Healing
    started_at: datetime
    ended_at: datetime
    treated_on: date
    shots: list[Shot]

    @property
    def site(self) -> Site:
        """Where it was."""
        return self.visit.diary.site

    @property
    def laser(self) -> LaserUnit:
        """On which laser."""
        return self.visit.diary.lasers[self.visit.slot.laser_id]

    @property
    def operator(self) -> Person:
        """By whom."""
        return self.visit.diary.operators[self.visit.slot.operator_id]


def plan_of(case: Case) -> VisitPlan | None:
    """What the next visit needs, as the slot search would reckon it; None: nothing to treat."""
    left = case.left()
    if not left:
        return None
    area = sum(_area(part) for part in left)
    parts = tuple(
        InkPart(colour=InkColour(part.row.colour), share=min(1.0, _area(part) / area))
        for part in left
    )
    plan = VisitPlan(
        parts=parts,
        area_cm2=area,
        requirements=required_wavelengths(parts, SkinType(case.patient.skin_type)),
        earliest=earliest_of(()),
        patient_resource_id=None,
        familiar_operator_ids=frozenset(),
        search_policy={},
    )
    return plan if plan.needs else None


def technique_of(case: Case) -> Technique:
    """How the length of the patient's visits is reckoned."""
    return Technique(passes=case.passes)


def treat(case: Case, visit: Visit, *, number: int, healing: Healing) -> Treatment:
    """Let the session take place; the ink it meets fades."""
    shots = list(_shots(case, visit, number=number, healing=healing))
    slot = visit.slot
    started_at = slot.start + timedelta(minutes=case.chance.randint(0, 4))
    ended_at = max(
        slot.end - timedelta(minutes=case.chance.randint(0, 4)),
        shots[-1].ends_at + timedelta(minutes=3),
    )
    for part in {id(part): part for shot in shots for part in shot.parts}.values():
        part.gone = 1 - (1 - part.gone) * (1 - part.rate)
    return Treatment(
        case=case,
        number=number,
        visit=visit,
        healing=healing,
        started_at=started_at,
        ended_at=ended_at,
        treated_on=local_date(started_at, visit.diary.site.zone),
        shots=shots,
    )


def facts_of(treatment: Treatment) -> Facts:
    """The facts of the session itself, as they will stand in its records."""
    parts = [part for shot in treatment.shots for part in shot.parts]
    return _facts(
        treatment.case,
        treated_on=treatment.treated_on,
        parts=parts,
        responses=frozenset(code for shot in treatment.shots for code in shot.responses),
    )


def facts_planned(case: Case, *, treated_on: date, healing: Healing) -> Facts:
    """The facts of a session over all that is left, before it takes place."""
    responses = frozenset({healing.response} if healing.response else ())
    return _facts(case, treated_on=treated_on, parts=case.left() * case.passes, responses=responses)


def grade(part: Part, *, graded_on: date, by: Person, target: float, noise: float) -> None:
    """A clinician's grade of a part; one that reaches the goal marks the part as gone."""
    seen = min(0.999, max(0.0, part.gone + noise))
    band = band_of(seen, scale=ClearanceScale.QUARTILES_CLEAR)
    low, high = band.low, band.high
    if part.grades and part.grades[-1].low > low:
        low, high = part.grades[-1].low, part.grades[-1].high
    part.grades.append(
        ClearanceGrade(part=part.row, graded_on=graded_on, low=low, high=high, graded_by=by.member)
    )
    if low >= target:
        part.row.cleared_on = graded_on


def _facts(
    case: Case, *, treated_on: date, parts: list[Part], responses: frozenset[SkinResponse]
) -> Facts:
    treated = {id(part): part for part in parts}
    sites = [BodySite(part.row.tattoo.site) for part in treated.values()]
    return Facts(
        treated_on=treated_on,
        today=treated_on,
        passes=max(sum(one is part for one in parts) for part in treated.values()),
        skin_type=SkinType(case.patient.skin_type),
        site=next((site for site in sites if site in SLOW_SITES), sites[0]),
        area_cm2=sum(_area(part) for part in treated.values()),
        smoker=case.patient.smoker,
        palpable=any(part.row.tattoo.palpable for part in treated.values()),
        gold_ever=False,
        responses=responses,
    )


def _shots(case: Case, visit: Visit, *, number: int, healing: Healing) -> Iterator[Shot]:
    """The passes of the visit, line by line, in the minutes that the diary keeps for them."""
    served = {one.key: one.wavelength_nm for one in visit.slot.served}
    unit = visit.diary.lasers[visit.slot.laser_id]
    tips = [visit.diary.tips[position] for position in visit.slot.handpiece_ids]
    starts = list(_pass_starts(visit))
    sequence = 0
    at = starts[0]
    for pass_start in starts:
        at = max(at, pass_start + timedelta(minutes=1))
        for nm in sorted(visit.slot.wavelengths_nm, reverse=True):
            sequence += 1
            last = pass_start == starts[-1] and nm == min(visit.slot.wavelengths_nm)
            shot = _shot(
                case,
                parts=tuple(part for part in case.left() if served.get(part.row.colour) == nm),
                line=unit.model.lines[nm],
                tip=next(tip for tip in tips if nm in tip.sketch.lines_nm),
                place=(sequence, number, at),
                response=healing.response if last else None,
            )
            at = shot.ends_at + timedelta(seconds=20)
            yield shot


def _shot(
    case: Case,
    *,
    parts: tuple[Part, ...],
    line: Line,
    tip: Tip,
    place: tuple[int, int, datetime],
    response: SkinResponse | None,
) -> Shot:
    sequence, number, at = place
    chance, sketch = case.chance, line.sketch
    spot = sketch.used_spot_mm
    low, high = sketch.used_fluence_j_cm2
    progress = min(1.0, max(0.0, (number - 1) / 5 + chance.uniform(-0.1, 0.1)))
    gentle = 0.6 if case.patient.skin_type >= 4 else 1.0
    most = sketch.max_energy_j / (pi / 4 * (spot / 10) ** 2)
    fluence = min(most, low + (high - low) * progress * gentle)
    pulses = pulses_to_cover(
        sum(_area(part) for part in parts), spot_mm=spot, overlap=DEFAULT_OVERLAP
    )
    return Shot(
        sequence=sequence,
        line=line,
        tip=tip,
        parts=parts,
        started_at=at,
        spot_mm=spot,
        fluence_j_cm2=round(fluence, 1),
        pulse_ns=round(sum(sketch.pulse_ns) / 2, 3),
        rate_hz=min(sketch.max_rate_hz, USUAL_RATE_HZ),
        pulses=max(1, round(pulses * chance.uniform(0.92, 1.08))),
        responses=tuple(_responses(case, line=line, extra=response)),
    )


def _responses(case: Case, *, line: Line, extra: SkinResponse | None) -> Iterator[SkinResponse]:
    red = line.sketch.wavelength_nm == 532
    yield SkinResponse.FAINT_HAZE if red else SkinResponse.WHITENING
    for response, share in (
        (SkinResponse.ERYTHEMA, 0.6),
        (SkinResponse.OEDEMA, 0.15),
        (SkinResponse.PINPOINT_BLEEDING, 0.08),
    ):
        if case.chance.random() < share:
            yield response
    if extra is not None:
        yield extra


def _pass_starts(visit: Visit) -> Iterator[datetime]:
    for begin, _ in visit.timeline.role_minutes(TreatmentRole.LASER):
        yield visit.slot.start + timedelta(minutes=begin)


def _area(part: Part) -> float:
    return float(part.row.tattoo.area_cm2 * part.row.share)
