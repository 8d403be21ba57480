"""Answers to the questionnaire: read, checked against each other, and aged."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import groupby

from courses.science.errors import InvalidInput
from courses.science.precautions.questions import (
    BY_KEY,
    NO,
    QUESTIONS,
    YES,
    AnswerKind,
    Question,
)
from courses.vocabulary import BodySite, InkColour


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: the code of an option or a date, and the local date it was given on."""

    key: str
    value: str | date
    answered_on: date


@dataclass(frozen=True, slots=True)
class Subject:
    """What the record says of the person and the tattoo beside the answers; None: not known."""

    birth_date: date | None = None
    site: BodySite | None = None
    colours: frozenset[InkColour] = field(default_factory=frozenset)
    gold_on_record: bool = False


@dataclass(frozen=True, slots=True)
class AnswerProblem:
    """What is wrong with an answer: the field, a stable rule id, and a sentence."""

    field: str
    rule: str
    message: str


class InvalidAnswers(InvalidInput):
    """Answers that cannot be, or contradict each other; `problems` names all of them."""

    def __init__(self, problems: Sequence[AnswerProblem]) -> None:
        first = problems[0]
        super().__init__(
            field=first.field,
            rule=first.rule,
            message=" ".join(problem.message for problem in problems),
        )
        self.problems = tuple(problems)

    def __reduce__(self) -> tuple[object, ...]:
        return (InvalidAnswers, (self.problems,))


@dataclass(frozen=True, slots=True)
class AnswerSheet:
    """Checked answers, as of `today`; `same_since` is the day since which an answer has stood."""

    answers: Mapping[str, Answer]
    same_since: Mapping[str, date]
    subject: Subject
    today: date

    def code(self, key: str) -> str | None:
        """The option chosen, or None when it was not answered."""
        answer = self.answers.get(key)
        return answer.value if answer is not None and isinstance(answer.value, str) else None

    def day(self, key: str) -> date | None:
        """The date given, or None when it was not answered."""
        answer = self.answers.get(key)
        return answer.value if answer is not None and isinstance(answer.value, date) else None

    def answered_on(self, key: str) -> date | None:
        """When a question was answered."""
        answer = self.answers.get(key)
        return None if answer is None else answer.answered_on

    def missing(self) -> tuple[str, ...]:
        """Questions that are due and have no answer."""
        return tuple(
            question.key
            for question in QUESTIONS
            if question.required and self._asked(question) and question.key not in self.answers
        )

    def expired(self) -> tuple[str, ...]:
        """Questions whose answers are too old to count."""
        return tuple(
            key
            for key, answer in self.answers.items()
            if self.today > answer.answered_on + timedelta(days=BY_KEY[key].valid_days)
        )

    def expires_on(self) -> date | None:
        """The last day on which all answers given still count."""
        return min(
            (
                a.answered_on + timedelta(days=BY_KEY[a.key].valid_days)
                for a in self.answers.values()
            ),
            default=None,
        )

    def _asked(self, question: Question) -> bool:
        if question.asked_when is None:
            return True
        other, codes = question.asked_when
        return self.code(other) in codes


def parse_answers(given: Mapping[str, object], *, answered_on: date) -> tuple[Answer, ...]:
    """Answers from JSON values (option codes, ISO dates), all given on one day.

    Raises InvalidAnswers naming every question or value that is not known.
    """
    answers, problems = [], []
    for key, value in given.items():
        question = BY_KEY.get(key)
        if question is None:
            problems.append(_problem(key, "question-unknown", f"There is no question {key!r}."))
            continue
        try:
            answers.append(Answer(key, _value(question, given=value), answered_on))
        except ValueError:
            problems.append(
                _problem(key, "answer-unknown", f"{value!r} is not an answer to {key}.")
            )
    if problems:
        raise InvalidAnswers(problems)
    return tuple(answers)


def known_answers(stored: Mapping[str, object], *, answered_on: date) -> tuple[Answer, ...]:
    """Stored answers as far as this version of the questionnaire knows them."""
    known = []
    for key, value in stored.items():
        question = BY_KEY.get(key)
        if question is None:
            continue
        with suppress(ValueError):
            known.append(Answer(key, _value(question, given=value), answered_on))
    return tuple(known)


def answer_sheet(
    answers: Sequence[Answer], *, today: date, subject: Subject | None = None
) -> AnswerSheet:
    """Checked answers; of several to one question the newest counts.

    Raises InvalidAnswers for what cannot be and for answers that contradict each other or the
    record, naming all of them.
    """
    days = groupby(sorted(answers, key=_day), key=_day)
    sheet = current_sheet([list(given) for _, given in days], today=today, subject=subject)
    problems = problems_of(sheet)
    if problems:
        raise InvalidAnswers(problems)
    return sheet


def current_sheet(
    sets: Iterable[Sequence[Answer]], *, today: date, subject: Subject | None = None
) -> AnswerSheet:
    """What stands after several sets of answers, oldest first. Nothing is refused here.

    A later answer replaces an earlier one; when a question is answered anew, what was asked
    because of its earlier answer falls away.
    """
    current: dict[str, Answer] = {}
    same_since: dict[str, date] = {}
    for answers in sets:
        told = {answer.key for answer in answers}
        for question in QUESTIONS:
            if question.asked_when is not None and question.asked_when[0] in told:
                current.pop(question.key, None)
        for answer in answers:
            before = current.get(answer.key)
            if before is None or before.value != answer.value:
                same_since[answer.key] = answer.answered_on
            current[answer.key] = answer
    return AnswerSheet(
        answers=current, same_since=same_since, subject=subject or Subject(), today=today
    )


def problems_of(sheet: AnswerSheet) -> tuple[AnswerProblem, ...]:
    """Answers that cannot be, or that contradict each other or the record."""
    return (*_impossible(sheet), *_contradictions(sheet))


def _day(answer: Answer) -> date:
    return answer.answered_on


def _value(question: Question, *, given: object) -> str | date:
    if not isinstance(given, str):
        raise ValueError(question.key)
    if question.kind is AnswerKind.DATE:
        return date.fromisoformat(given)
    if given not in {option.code for option in question.options}:
        raise ValueError(question.key)
    return given


def _impossible(sheet: AnswerSheet) -> Iterator[AnswerProblem]:
    for key, answer in sheet.answers.items():
        if answer.answered_on > sheet.today:
            yield _problem(key, "date-in-future", f"{key} is answered in the future.")
        day = sheet.day(key)
        if day is not None and not BY_KEY[key].future and day > answer.answered_on:
            yield _problem(key, "date-in-future", f"{key}: {day} was still to come.")
        born = sheet.subject.birth_date
        if day is not None and born is not None and day < born:
            yield _problem(key, "date-before-birth", f"{key}: {day} is before birth.")


def _contradictions(sheet: AnswerSheet) -> Iterator[AnswerProblem]:
    for question in QUESTIONS:
        if question.asked_when is None or question.key not in sheet.answers:
            continue
        other, codes = question.asked_when
        chosen = sheet.code(other)
        if chosen is not None and chosen not in codes:
            yield _problem(
                question.key,
                "answers-contradict",
                f"{question.key} is answered, but {other} is {chosen!r}.",
            )
    if sheet.code("gold") == NO and sheet.subject.gold_on_record:
        yield _problem("gold", "answers-contradict", "The record says that gold was taken.")
    if sheet.code("herpes_now") == YES and sheet.code("herpes_history") == NO:
        told = [sheet.answered_on(key) for key in ("herpes_now", "herpes_history")]
        if told[0] == told[1]:
            yield _problem(
                "herpes_history",
                "answers-contradict",
                "herpes_history is 'no', but herpes_now is 'yes'.",
            )
    if sheet.code("eyelid") == YES and sheet.subject.site not in {None, BodySite.HEAD}:
        yield _problem(
            "eyelid", "answers-contradict", "eyelid is 'yes', but the site is not the head."
        )


def _problem(key: str, rule: str, message: str) -> AnswerProblem:
    return AnswerProblem(field=f"answers.{key}", rule=rule, message=message)
