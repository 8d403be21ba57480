"""What the next session of a course needs: ink, wavelengths, length, and from when."""

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef, Q
from django.db.models.functions import JSONObject

from clinics.models import Chain
from clinics.querysets import HasChain
from courses.errors import CourseUnknown, NothingToTreat
from courses.models import Course, Session, TattooPart
from courses.science.treatment import Beam, TreatmentLength, TreatmentPlan, treatment_length
from courses.science.wavelengths import (
    InkPart,
    Requirement,
    fewest_wavelengths,
    required_wavelengths,
)
from courses.selectors.healing import Earliest, earliest_of, window_rows
from courses.slots import GRAIN_MINUTES, InkNeed, Segment, Timeline
from courses.vocabulary import InkColour, SessionStatus, SkinType


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

        Raises courses.science.errors.InvalidInput.
        """
        return visit_length(self.requirements, area_cm2=self.area_cm2, technique=technique)


def visit_length(
    requirements: tuple[Requirement, ...], *, area_cm2: float, technique: Technique
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
    course: Any = _courses_with_plan([course_id], actor=actor).first()
    if course is None:
        raise CourseUnknown(course=course_id)
    return _plan(course)


def visit_plans(course_ids: Iterable[int], *, actor: HasChain) -> dict[int, VisitPlan]:
    """The plans of those of these courses that have something to treat, by course. One query."""
    plans: dict[int, VisitPlan] = {}
    for course in _courses_with_plan(course_ids, actor=actor):
        with suppress(NothingToTreat):
            plans[course.pk] = _plan(course)
    return plans


def _courses_with_plan(course_ids: Iterable[int], *, actor: HasChain) -> Any:
    return (
        Course.objects.visible_to(actor)
        .filter(pk__in=list(course_ids))
        .select_related("patient", "chain", "clinic")
        .annotate(
            part_rows=ArraySubquery(
                TattooPart.objects.filter(tattoo__courses=OuterRef("pk"))
                .order_by("pk")
                .values(
                    row=JSONObject(
                        id="pk",
                        colour="colour",
                        share="share",
                        area="tattoo__area_cm2",
                        cleared="cleared_on",
                    )
                )
            ),
            window_rows=ArraySubquery(window_rows(OuterRef("pk"))),
            operator_ids=ArraySubquery(
                Session.objects.filter(course=OuterRef("pk"))
                .exclude(
                    Q(status=SessionStatus.NOT_DONE) | Q(status=SessionStatus.ENTERED_IN_ERROR)
                )
                .values("operator_id")
            ),
        )
    )


def _plan(course: Any) -> VisitPlan:
    left = [row for row in course.part_rows if row["cleared"] is None]
    patient = course.patient
    if not left:
        raise NothingToTreat("Every part of the tattoo is marked as cleared.", course=course.pk)
    area = sum(row["share"] * row["area"] for row in left)
    parts = tuple(
        InkPart(
            colour=InkColour(row["colour"]),
            share=min(1.0, row["share"] * row["area"] / area),
            key=str(row["id"]),
        )
        for row in left
    )
    return _treatable(
        VisitPlan(
            parts=parts,
            area_cm2=area,
            requirements=required_wavelengths(parts, SkinType(patient.skin_type)),
            earliest=earliest_of(course.window_rows, gold_ever=patient.gold_therapy_ever),
            patient_resource_id=patient.resource_id,
            familiar_operator_ids=frozenset(course.operator_ids),
            search_policy=course.chain.search_policy,
        )
    )


def _treatable(plan: VisitPlan) -> VisitPlan:
    if not plan.needs:
        raise NothingToTreat(
            "No wavelength is known to act on the ink that is left; a clinician decides.",
            colours=sorted({part.colour.value for part in plan.parts}),
        )
    return plan
