"""Precautions before a session: a versioned questionnaire, its answers, and what they mean."""

from courses.science.precautions.answers import (
    Answer,
    AnswerProblem,
    AnswerSheet,
    InvalidAnswers,
    Subject,
    answer_sheet,
    current_sheet,
    known_answers,
    parse_answers,
    problems_of,
)
from courses.science.precautions.evaluate import (
    Clearance,
    PrecautionFinding,
    PrecautionResult,
    evaluate,
    worsened,
)
from courses.science.precautions.questions import (
    QUESTIONNAIRE_ID,
    QUESTIONNAIRE_VERSION,
    QUESTIONS,
    AnswerKind,
    Option,
    Question,
    questionnaire_json,
)
from courses.science.precautions.rules import PRECAUTIONS, Precaution, PrecautionEffect

__all__ = [
    "PRECAUTIONS",
    "QUESTIONNAIRE_ID",
    "QUESTIONNAIRE_VERSION",
    "QUESTIONS",
    "Answer",
    "AnswerKind",
    "AnswerProblem",
    "AnswerSheet",
    "Clearance",
    "InvalidAnswers",
    "Option",
    "Precaution",
    "PrecautionEffect",
    "PrecautionFinding",
    "PrecautionResult",
    "Question",
    "Subject",
    "answer_sheet",
    "current_sheet",
    "evaluate",
    "known_answers",
    "parse_answers",
    "problems_of",
    "questionnaire_json",
    "worsened",
]
