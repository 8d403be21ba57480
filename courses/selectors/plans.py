"""What the next session of a course needs: ink, wavelengths, length, and from when."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from clinics.models import Chain
from clinics.querysets import HasChain
from core.prepared import Prepared
from courses.errors import CourseUnknown, NothingToTreat
from courses.science.treatment import Beam, TreatmentLength, TreatmentPlan, treatment_length
from courses.science.wavelengths import (
    InkPart,
    Requirement,
    fewest_wavelengths,
    required_wavelengths,
)
from courses.selectors.healing import WINDOW_ROWS_SQL, Earliest, earliest_of
from courses.slots import GRAIN_MINUTES, InkNeed, Segment, Timeline, policy_of
from courses.vocabulary import InkColour, SkinType

PLANS: Final = Prepared(
    """
    SELECT course.id, patient.skin_type, patient.gold_therapy_ever, patient.resource_id,
    chain.search_policy::json,
    (
        SELECT json_agg(json_build_array(part.id, part.colour, part.share, tattoo.area_cm2)
            ORDER BY part.id)
        FROM courses_course_tattoos AS own
        JOIN courses_tattoo AS tattoo ON tattoo.id = own.tattoo_id
        JOIN courses_tattoopart AS part ON part.tattoo_id = tattoo.id
        WHERE own.course_id = course.id AND part.cleared_on IS NULL
    ),
    ({windows}),
    ARRAY(
        SELECT DISTINCT operator_id FROM courses_session
        WHERE course_id = course.id AND status NOT IN ('not-done', 'entered-in-error')
    )
    FROM courses_course AS course
    JOIN courses_patient AS patient ON patient.id = course.patient_id
    JOIN clinics_chain AS chain ON chain.id = course.chain_id
    WHERE course.id = ANY (%(courses)s::bigint[]) AND course.chain_id = %(chain)s::bigint
    ORDER BY course.id
    """.replace("{windows}", WINDOW_ROWS_SQL)
)


@dataclass(frozen=True, slots=True)
class Technique:
    """How the length of a visit is reckoned: assumptions for the diary, not settings to use.

    The defaults are a clinic's habit, not a published value; a caller may give its own.
    """

    passes: int = 1
    spot_mm: float = 4.0
    rate_hz: float = 5.0
    firing_share: float = 0.5
    clearing_agent: bool = False
    preparation_min: int = 10
    aftercare_min: int = 10


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """The next visit of a course, or of nobody in particular, before a slot is chosen."""

    parts: tuple[InkPart, ...]
    area_cm2: float
    requirements: tuple[Requirement, ...]
    earliest: Earliest
    patient_resource_id: int | None
    familiar_operator_ids: frozenset[int]
    search_policy: Mapping[str, Any]

    @property
    def needs(self) -> tuple[InkNeed, ...]:
        """What a laser must emit.

        No colour is required of one visit: a slot serves what it can, and one that serves more
        of the visible ink ranks higher.
        """
        return tuple(
            InkNeed(
                key=need.colour.value,
                wavelengths_nm=need.wavelengths_nm,
                share=need.share,
                required=False,
            )
            for need in self.requirements
            if need.wavelengths_nm
        )

    def length(self, technique: Technique) -> TreatmentLength:
        """Pulses and segments of the visit: each visible colour covered once per pass.

        Between wavelengths the chain's changeover. Raises courses.science.errors.InvalidInput.
        """
        return visit_length(
            self.requirements,
            area_cm2=self.area_cm2,
            technique=technique,
            changeover_min=policy_of(self.search_policy).changeover_minutes,
        )


def visit_length(
    requirements: tuple[Requirement, ...],
    *,
    area_cm2: float,
    technique: Technique,
    changeover_min: float = 0,
) -> TreatmentLength:
    """Pulses and segments of a visit over colours that share an area. Raises InvalidInput."""
    treatable = [need for need in requirements if need.wavelengths_nm]
    lines = fewest_wavelengths(treatable)
    return treatment_length(
        TreatmentPlan(
            beams=tuple(
                Beam(
                    area_cm2=area_cm2 * need.share,
                    spot_mm=technique.spot_mm,
                    rate_hz=technique.rate_hz,
                    key=str(next(nm for nm in need.wavelengths_nm if nm in lines)),
                )
                for need in treatable
            ),
            passes=technique.passes,
            clearing_agent=technique.clearing_agent,
            preparation_min=technique.preparation_min,
            aftercare_min=technique.aftercare_min,
            firing_share=technique.firing_share,
            changeover_min=changeover_min,
        )
    )


def diary_timeline(length: TreatmentLength) -> Timeline:
    """What the visit reserves: whole minutes, the last segment ending on a 5-minute mark."""
    minutes = [segment.minutes for segment in length.booking]
    minutes[-1] += -sum(minutes) % GRAIN_MINUTES
    return Timeline(
        tuple(
            Segment(minutes=whole, roles=segment.roles, label=segment.label)
            for whole, segment in zip(minutes, length.booking, strict=True)
        )
    )


@dataclass(frozen=True, slots=True)
class Described:
    """A visit of nobody in particular: skin type, area and the shares of its colours."""

    skin_type: SkinType
    area_cm2: float
    shares: tuple[tuple[InkColour, float], ...]


def described_plan(described: Described, *, actor: HasChain) -> VisitPlan:
    """The plan of a visit that is only described. One query. Raises NothingToTreat."""
    parts = tuple(InkPart(colour=colour, share=share) for colour, share in described.shares)
    policy = Chain.objects.visible_to(actor).values_list("search_policy", flat=True).get()
    return _treatable(
        VisitPlan(
            parts=parts,
            area_cm2=described.area_cm2,
            requirements=required_wavelengths(parts, described.skin_type),
            earliest=earliest_of(()),
            patient_resource_id=None,
            familiar_operator_ids=frozenset(),
            search_policy=policy,
        )
    )


def visit_plan(course_id: int, *, actor: HasChain) -> VisitPlan:
    """The plan of a course's next visit. One query.

    Raises CourseUnknown, NothingToTreat.
    """
    for row in PLANS.rows(courses=[course_id], chain=actor.chain_id):
        return _plan(row)
    raise CourseUnknown(course=course_id)


def visit_plans(course_ids: Iterable[int], *, actor: HasChain) -> dict[int, VisitPlan]:
    """The plans of those of these courses that have something to treat, by course. One query."""
    plans: dict[int, VisitPlan] = {}
    for row in PLANS.rows(courses=list(course_ids), chain=actor.chain_id):
        with suppress(NothingToTreat):
            plans[row[0]] = _plan(row)
    return plans


def _plan(row: Sequence[Any]) -> VisitPlan:
    course_id, skin_type, gold_ever, resource_id, policy, left, windows, operator_ids = row
    if not left:
        raise NothingToTreat("Every part of the tattoo is marked as cleared.", course=course_id)
    area = sum(share * whole for _, _, share, whole in left)
    parts = tuple(
        InkPart(colour=InkColour(colour), share=min(1.0, share * whole / area), key=str(part_id))
        for part_id, colour, share, whole in left
    )
    return _treatable(
        VisitPlan(
            parts=parts,
            area_cm2=area,
            requirements=required_wavelengths(parts, SkinType(skin_type)),
            earliest=earliest_of(windows or (), gold_ever=gold_ever),
            patient_resource_id=resource_id,
            familiar_operator_ids=frozenset(operator_ids),
            search_policy=policy,
        )
    )


def _treatable(plan: VisitPlan) -> VisitPlan:
    if not plan.needs:
        raise NothingToTreat(
            "No wavelength is known to act on the ink that is left; a clinician decides.",
            colours=sorted({part.colour.value for part in plan.parts}),
        )
    return plan
