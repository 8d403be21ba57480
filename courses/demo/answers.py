"""What patients answered about precautions: before each session, and of some since they booked."""

from collections.abc import Iterable, Iterator
from copy import copy
from dataclasses import dataclass
from datetime import datetime, timedelta

from clinics.hours import local_date
from clinics.models import StaffMember
from clinics.vocabulary import Role
from courses.demo.organisation import Organisation, Site
from courses.demo.patients import Case
from courses.demo.scenario import Scenario
from courses.demo.treatment import Treatment
from courses.models import PrecautionAnswers
from courses.science.precautions import QUESTIONNAIRE_VERSION
from courses.science.precautions.questions import BY_KEY, NO, QUESTIONS, YES
from courses.selectors.precautions import Known, Standing, subject_of
from courses.vocabulary import AppointmentStatus, InkColour

HARMLESS = frozenset({NO, "none", "never"})
BEFORE_START = timedelta(minutes=3)
# What only asks for a warning, and how many say so.
WARNED_OF = (("bleeding", YES, 0.05), ("light_medicine", "other", 0.05), ("hopes", YES, 0.04))
# What has come up since the visit was booked: it stops the visit until somebody has looked.
NEWS: tuple[dict[str, str], ...] = ({"tan": YES}, {"isotretinoin": "now"}, {"mole": YES})


@dataclass(frozen=True, slots=True)
class Asked:
    """One set of answers of a patient, as it stands in the records."""

    row: PrecautionAnswers

    def standing(self, treatment: Treatment) -> Standing:
        """What the answers of the day mean for a session."""
        case = treatment.case
        patient = copy(case.patient)
        patient.gold_therapy_ever = False
        tattoos = [
            (
                tattoo.site,
                [part.row.colour for part in case.parts if part.row.tattoo is tattoo],
            )
            for tattoo in case.tattoos
        ]
        return Standing(
            patient_id=patient.pk,
            course_id=case.course.pk,
            result=Known(sets=(self.row,)).result(
                subject=subject_of(patient, tattoos), day=treatment.treated_on
            ),
            asked=True,
        )


def asked_before(treatment: Treatment) -> Asked:
    """The whole questionnaire, answered before a session."""
    return Asked(
        _row(
            treatment.case,
            usual_answers(treatment.case),
            site=treatment.site,
            by=treatment.operator.member,
            at=treatment.started_at - BEFORE_START,
        )
    )


def usual_answers(case: Case) -> dict[str, str]:
    """A patient's answers where nothing stops a treatment; the same each time."""
    answers = {
        question.key: next(one.code for one in question.options if one.code in HARMLESS)
        for question in QUESTIONS
        if question.required
    }
    if any(part.row.colour == InkColour.WHITE for part in case.parts):
        answers["cosmetic_ink"] = YES
    for place, (key, code, share) in enumerate(WARNED_OF, start=1):
        if (case.number * (7 + place)) % 100 < 100 * share:
            answers[key] = code
    return answers


def news(scenario: Scenario) -> Iterator[PrecautionAnswers]:
    """Answers since the booking, over the booking page; and of those who told of gold."""
    moment, organisation = scenario.moment, scenario.organisation
    page = organisation.first(Role.INTEGRATOR).member
    soon = [
        one.case
        for one in scenario.bookings
        if one.status == AppointmentStatus.BOOKED
        and one.visit.slot.start > moment.now + timedelta(days=2)
    ]
    for case, answers in zip(soon[::3], NEWS, strict=False):
        yield _row(case, answers, site=case.site, by=page, at=moment.now - timedelta(hours=11))
    yield from _told_of_gold(scenario.treatments(), organisation)


def _told_of_gold(
    treatments: Iterable[Treatment], organisation: Organisation
) -> Iterator[PrecautionAnswers]:
    for treatment in treatments:
        days = treatment.healing.gold_told
        if days is not None:
            site = treatment.case.site
            at = treatment.started_at + timedelta(days=days)
            desk = organisation.desk_at(site).member
            yield _row(treatment.case, {"gold": YES}, site=site, by=desk, at=at)


def _row(
    case: Case, answers: dict[str, str], *, site: Site, by: StaffMember, at: datetime
) -> PrecautionAnswers:
    day = local_date(at, site.zone)
    return PrecautionAnswers(
        patient=case.patient,
        clinic=site.clinic,
        questionnaire_version=QUESTIONNAIRE_VERSION,
        answers=answers,
        answered_on=day,
        expires_on=min(day + timedelta(days=BY_KEY[key].valid_days) for key in answers),
        recorded_by=by,
        recorded_at=at,
    )
