"""From records to what the estimate is made from."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Final

from courses.healing import Facts, Policy, Spacing, spacing_of
from courses.models import Course, Patient, Tattoo
from courses.science.errors import InvalidInput
from courses.science.estimate.inputs import Assessment, ChairTime, EstimateRequest, Intervals
from courses.science.estimate.prior import PriorSettings
from courses.science.fading.inputs import FadingCase, Goal, Part
from courses.science.fading.match import FiredLine, planned_match
from courses.science.fading.model import MODEL_BASIS, Match, Prior
from courses.science.fading.usable import SetAside, usable_grades
from courses.science.grading import CLEAR_FROM
from courses.science.wavelengths import InkPart, required_wavelengths
from courses.selectors.estimation.records import History, part_key
from courses.selectors.plans import Technique as VisitTechnique
from courses.selectors.plans import visit_length
from courses.vocabulary import (
    BodySite,
    CourseGoal,
    InkAmount,
    InkColour,
    Scarring,
    SkinType,
    Technique,
)

# Grades are sifted before there is a prior; none of the rules looks at it.
_NO_PRIOR: Final = Prior(log_sessions=0.0, log_sd=1.0, of_tattoo=True, basis=MODEL_BASIS)
DAYS_A_MONTH: Final = 365.2425 / 12


@dataclass(frozen=True, slots=True)
class Setting:
    """What all tattoos of a chain share on one day.

    `lines`: what its lasers emit for ink; empty when no laser is recorded, and then first-choice
    wavelengths are assumed.
    """

    prior: PriorSettings
    policy: Policy
    lines: tuple[FiredLine, ...]
    technique: VisitTechnique


@dataclass(frozen=True, slots=True)
class TattooRequest:
    """One tattoo to estimate: the request, the grades left out, and the spacing behind it."""

    tattoo_id: int
    request: EstimateRequest
    set_aside: tuple[tuple[int, SetAside], ...]
    spacing: Spacing


def goal_of(course: Course) -> Goal:
    """The goal of a course; a lightening to more than 95 % means to clear."""
    if course.goal == CourseGoal.CLEAR or course.target_clearance > CLEAR_FROM:
        return Goal()
    return Goal(kind=CourseGoal.LIGHTEN, target=course.target_clearance)


def assessment_of(
    tattoo: Tattoo, *, patient: Patient, parts: Iterable[Part], today: date
) -> Assessment:
    """What the practitioner recorded of a tattoo and its patient."""
    return Assessment(
        skin_type=SkinType(patient.skin_type),
        site=BodySite(tattoo.site),
        area_cm2=tattoo.area_cm2,
        parts=tuple(parts),
        ink_amount=InkAmount(tattoo.ink_amount),
        scarring=Scarring(tattoo.scarring),
        layered=tattoo.layered,
        palpable=tattoo.palpable,
        smoker=patient.smoker,
        age_months=_months(tattoo.made_on, until=today),
    )


def parts_of(
    tattoo: Tattoo, *, skin_type: SkinType, setting: Setting, harmed: Iterable[int] = ()
) -> list[Part]:
    """The parts of a tattoo with the wavelengths that the chain could use on them."""
    reacted = set(harmed)
    return [
        Part(
            key=part_key(part.colour, technique=part.technique),
            colour=InkColour(part.colour),
            technique=Technique(part.technique),
            share=part.share,
            planned=(
                planned_match(InkColour(part.colour), skin_type=skin_type, lines=setting.lines)
                if setting.lines
                else Match.FIRST
            ),
            cleared=part.cleared_on is not None,
            blister_or_scar=part.pk in reacted,
        )
        for part in tattoo.parts.all()
    ]


def tattoo_request(
    tattoo: Tattoo,
    *,
    course: Course,
    history: History,
    setting: Setting,
    today: date,
    next_on: date | None,
) -> TattooRequest:
    """The request of one tattoo of a course. No queries: parts and patient have been read.

    Raises InvalidInput for a record that cannot be estimated.
    """
    skin_type = SkinType(course.patient.skin_type)
    parts = parts_of(tattoo, skin_type=skin_type, setting=setting, harmed=history.harmed)
    assessment = assessment_of(tattoo, patient=course.patient, parts=parts, today=today)
    case = FadingCase(
        parts=parts,
        prior=_NO_PRIOR,
        sessions=history.sessions(),
        grades=[stored.grade for stored in history.grades],
        darkenings=tuple(history.darkenings),
        goal=goal_of(course),
    )
    grades, aside = usable_grades(case)
    keys = {id(stored.grade): stored.pk for stored in history.grades}
    spacing = spacing_for(assessment, setting=setting, today=today)
    last = history.last_treated_on()
    return TattooRequest(
        tattoo_id=tattoo.pk,
        request=EstimateRequest(
            assessment=assessment,
            goal=case.goal,
            settings=setting.prior,
            sessions=case.sessions,
            grades=grades,
            darkenings=case.darkenings,
            intervals=Intervals(
                earliest_days=spacing.earliest_days,
                usual_days=spacing.advised_days,
                longest_days=spacing.longest_days,
            ),
            chair=chair_time(assessment, technique=setting.technique),
            next_on=None if next_on is None or (last and next_on <= last) else next_on,
        ),
        set_aside=tuple((keys[id(one.grade)], one) for one in aside),
        spacing=spacing,
    )


def spacing_for(assessment: Assessment, *, setting: Setting, today: date) -> Spacing:
    """The spacing that the chain's healing rules give. Raises InvalidInput."""
    return spacing_of(
        Facts(
            treated_on=today,
            today=today,
            passes=setting.technique.passes,
            skin_type=assessment.skin_type,
            site=assessment.site,
            area_cm2=assessment.area_cm2,
            smoker=assessment.smoker,
        ),
        setting.policy,
    )


def chair_time(assessment: Assessment, *, technique: VisitTechnique) -> ChairTime | None:
    """Minutes of a session over all parts; None where no length can be reckoned.

    That is so when no wavelength is known to act on any of the ink, and for an area too large
    for one session.
    """
    shares = [InkPart(colour=part.colour, share=part.share) for part in assessment.parts]
    needs = required_wavelengths(shares, assessment.skin_type)
    try:
        length = visit_length(needs, area_cm2=assessment.area_cm2, technique=technique)
    except InvalidInput:
        return None
    area = length.passes * length.firing_s_per_pass / technique.firing_share / 60
    return ChairTime(fixed_minutes=length.total_s / 60 - area, area_minutes=area)


def _months(made_on: date | None, *, until: date) -> int | None:
    return None if made_on is None else max(0, round((until - made_on).days / DAYS_A_MONTH))
