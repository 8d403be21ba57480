"""Which grades of a record can count: what was corrected later may leave one that cannot."""

from dataclasses import dataclass

from courses.science.errors import InvalidInput
from courses.science.fading.inputs import FadingCase, Grade, check_grade


@dataclass(frozen=True, slots=True)
class SetAside:
    """A grade that does not count, the rule it breaks and a sentence."""

    grade: Grade
    rule: str
    reason: str


def usable_grades(case: FadingCase) -> tuple[tuple[Grade, ...], tuple[SetAside, ...]]:
    """The grades of a case that can count, and those that cannot, each with its reason.

    A record may hold a grade that was right when it was given and is not any more, such as one
    within 28 days of a session that was recorded late. It is left out and named, rather than
    keep the tattoo from being estimated at all.
    """
    kept: list[Grade] = []
    aside: list[SetAside] = []
    last: dict[str, Grade] = {}
    for grade in case.grades:
        try:
            check_grade(grade, previous=last.get(grade.part), case=case, where="grade")
        except InvalidInput as error:
            aside.append(SetAside(grade=grade, rule=error.rule, reason=error.message))
            continue
        kept.append(grade)
        last[grade.part] = grade
    return tuple(kept), tuple(aside)
