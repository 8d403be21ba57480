"""Appointments to come whose patient's answers stop treatment: for the front desk to look at."""

from datetime import date, datetime, timedelta
from functools import cache
from typing import Final

from django.db.models import Exists, OuterRef, Q, QuerySet

from courses.models import Appointment, PrecautionAnswers
from courses.science.precautions import QUESTIONS, Answer, current_sheet, evaluate
from courses.selectors.appointments import open_at
from courses.selectors.precautions import Standing, appointment_standings

# A little more than 18 years: the rule itself says who is a minor.
MINOR_AT_MOST: Final = timedelta(days=18 * 366)


def needing_attention(
    rows: QuerySet[Appointment], *, unasked: bool, now: datetime
) -> dict[int, Standing]:
    """Those of the appointments to come that a precaution stops, with what stands; by key.

    With `unasked` also those whose patient was never asked. Four queries: the database leaves
    those who could be stopped at all, and only they are judged.
    """
    answers = PrecautionAnswers.objects.filter(patient=OuterRef("course__patient"))
    could = (
        Q(Exists(answers.filter(_stopping())))
        | Q(course__patient__gold_therapy_ever=True)
        | Q(course__patient__birth_date__gt=(now - MINOR_AT_MOST).date())
    )
    if unasked:
        could |= Q(~Exists(answers))
    candidates = (
        rows.filter(open_at(now), ends_at__gt=now)
        .filter(could)
        .select_related("clinic", "course__patient")
    )
    return {
        pk: standing
        for pk, standing in appointment_standings(candidates, now=now).items()
        if standing.stops or (unasked and not standing.asked)
    }


@cache
def stopping_answers() -> tuple[tuple[str, str], ...]:
    """Each (question, option) that stops treatment when nothing else is known."""
    today = date(2000, 1, 1)
    return tuple(
        (question.key, option.code)
        for question in QUESTIONS
        for option in question.options
        if any(
            finding.stops
            for finding in evaluate(
                current_sheet([(Answer(question.key, option.code, today),)], today=today)
            ).findings
        )
    )


def _stopping() -> Q:
    found = Q()
    for key, code in stopping_answers():
        found |= Q(answers__contains={key: code})
    return found
