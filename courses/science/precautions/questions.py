"""The questionnaire before a session: questions as data, for a front end to render.

Questions are in this project's own words. Every text has a key, so that another language can be
put beside the English. How long an answer counts is a proposal.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from courses.science.basis import CAUTION

QUESTIONNAIRE_ID = "precautions"
QUESTIONNAIRE_VERSION = "1"

YES, NO, UNSURE = "yes", "no", "unsure"
EACH_VISIT_DAYS = 2
MEDICINE_DAYS = 42
HISTORY_DAYS = 365


class AnswerKind(StrEnum):
    """What a question takes: one of its options, or a date."""

    CHOICE = "choice"
    DATE = "date"


@dataclass(frozen=True, slots=True)
class Option:
    """One answer that can be chosen."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `asked_when` names another question and the answers that make it asked.

    An answer counts for `valid_days`. A date may be left open (`required` False).
    """

    key: str
    text: str
    kind: AnswerKind
    valid_days: int
    options: tuple[Option, ...] = ()
    asked_when: tuple[str, frozenset[str]] | None = None
    required: bool = True
    future: bool = False


_YES_NO = (Option(YES, "Yes"), Option(NO, "No"), Option(UNSURE, "I am not sure"))


def _yes_no(key: str, text: str, *, valid_days: int) -> Question:
    return Question(key, text, AnswerKind.CHOICE, valid_days, options=_YES_NO)


def _date(
    key: str,
    text: str,
    *,
    after: str,
    codes: frozenset[str],
    valid_days: int,
    future: bool = False,
) -> Question:
    return Question(
        key,
        text,
        AnswerKind.DATE,
        valid_days,
        asked_when=(after, codes),
        required=False,
        future=future,
    )


QUESTIONS: tuple[Question, ...] = (
    _yes_no(
        "gold",
        "Have you ever in your life been given gold as a medicine, as injections or tablets (for "
        "example against rheumatism)?",
        valid_days=HISTORY_DAYS,
    ),
    _yes_no(
        "infection",
        "Is the skin in or around the tattoo infected, open or sore today?",
        valid_days=EACH_VISIT_DAYS,
    ),
    _yes_no(
        "herpes_now",
        "Do you have cold sores or herpes blisters near the tattoo today?",
        valid_days=EACH_VISIT_DAYS,
    ),
    _yes_no(
        "herpes_history",
        "Have you had cold sores or herpes near the tattoo before?",
        valid_days=HISTORY_DAYS,
    ),
    _yes_no(
        "light_disease",
        "Do you have an illness that sunlight brings on or makes worse (for example lupus)?",
        valid_days=HISTORY_DAYS,
    ),
    Question(
        "light_medicine",
        "Do you take a medicine that makes the skin sensitive to light?",
        AnswerKind.CHOICE,
        MEDICINE_DAYS,
        options=(
            Option("photodynamic", "A medicine for photodynamic therapy"),
            Option("strong", "Amiodarone, minocycline or St John's wort"),
            Option("other", "Another one (for example tetracyclines or thiazides)"),
            Option("none", "None"),
            Option(UNSURE, "I am not sure"),
        ),
    ),
    _date(
        "light_medicine_until",
        "Until when is your skin sensitive to light, as you were told?",
        after="light_medicine",
        codes=frozenset({"photodynamic"}),
        valid_days=MEDICINE_DAYS,
        future=True,
    ),
    Question(
        "isotretinoin",
        "Do you take isotretinoin, or have you taken it?",
        AnswerKind.CHOICE,
        MEDICINE_DAYS,
        options=(
            Option("now", "Yes, now"),
            Option("past", "Yes, in the past"),
            Option("never", "No, never"),
            Option(UNSURE, "I am not sure"),
        ),
    ),
    _date(
        "isotretinoin_stopped",
        "When did you take it last?",
        after="isotretinoin",
        codes=frozenset({"past"}),
        valid_days=HISTORY_DAYS,
    ),
    Question(
        "pregnancy",
        "Are you pregnant or breast-feeding?",
        AnswerKind.CHOICE,
        MEDICINE_DAYS,
        options=(
            Option("pregnant", "Pregnant"),
            Option("breast_feeding", "Breast-feeding"),
            Option(NO, "No"),
            Option(UNSURE, "I am not sure"),
        ),
    ),
    _date(
        "pregnancy_until",
        "Until when, as far as you know?",
        after="pregnancy",
        codes=frozenset({"pregnant", "breast_feeding"}),
        valid_days=MEDICINE_DAYS,
        future=True,
    ),
    _yes_no(
        "tan",
        "Has the skin at the tattoo been tanned, sunburnt or treated with self-tanner in the last "
        "four weeks?",
        valid_days=EACH_VISIT_DAYS,
    ),
    _date(
        "tan_on",
        "When was the last time?",
        after="tan",
        codes=frozenset({YES}),
        valid_days=EACH_VISIT_DAYS,
    ),
    _yes_no("keloid", "Do you form thick or raised scars (keloids)?", valid_days=HISTORY_DAYS),
    _yes_no(
        "ink_reaction",
        "Has the tattoo ever itched, swollen, or formed lumps (an allergy or granuloma)?",
        valid_days=HISTORY_DAYS,
    ),
    Question(
        "skin_disease",
        "Do you have vitiligo or psoriasis?",
        AnswerKind.CHOICE,
        HISTORY_DAYS,
        options=(
            Option("active", "Yes, and it is changing"),
            Option("stable", "Yes, and it has not changed for a long time"),
            Option(NO, "No"),
            Option(UNSURE, "I am not sure"),
        ),
    ),
    _date(
        "skin_disease_stable_since",
        "Since when has it not changed?",
        after="skin_disease",
        codes=frozenset({"stable"}),
        valid_days=HISTORY_DAYS,
    ),
    _yes_no(
        "immune",
        "Is your immune system weakened, do you have diabetes that is hard to control, or do "
        "wounds heal badly?",
        valid_days=HISTORY_DAYS,
    ),
    _yes_no(
        "mole",
        "Is there a mole or dark spot in or next to the tattoo that has changed or that nobody "
        "has looked at?",
        valid_days=HISTORY_DAYS,
    ),
    _yes_no(
        "bleeding",
        "Do you take a blood thinner or aspirin, or do you bleed easily?",
        valid_days=MEDICINE_DAYS,
    ),
    _yes_no(
        "seizures", "Have you had seizures set off by flashing light?", valid_days=HISTORY_DAYS
    ),
    _yes_no(
        "eyelid", "Is the tattoo on an eyelid or right beside an eye?", valid_days=HISTORY_DAYS
    ),
    _yes_no(
        "cancer_therapy",
        "Are you being treated with chemotherapy or radiation now?",
        valid_days=MEDICINE_DAYS,
    ),
    _yes_no(
        "cosmetic_ink",
        "Is the tattoo permanent make-up, or does it hold white, skin-coloured or pink ink?",
        valid_days=HISTORY_DAYS,
    ),
    _yes_no(
        "hopes",
        "Would you be unhappy if a shadow or a change of skin colour stayed behind?",
        valid_days=HISTORY_DAYS,
    ),
)

BY_KEY: Mapping[str, Question] = {question.key: question for question in QUESTIONS}


def questionnaire_json(
    translations: Mapping[str, str] | None = None, *, language: str = "en"
) -> dict[str, object]:
    """The questionnaire as JSON values: id, version, questions in order, options, conditions.

    `translations` maps text keys (`precautions.gold.text`, `precautions.gold.options.yes`) to
    another `language`; what it lacks stays English.
    """
    own = translations or {}
    return {
        "id": QUESTIONNAIRE_ID,
        "version": QUESTIONNAIRE_VERSION,
        "language": language,
        "questions": [_question_json(question, own=own) for question in QUESTIONS],
        "caution": CAUTION,
    }


def _question_json(question: Question, *, own: Mapping[str, str]) -> dict[str, object]:
    key = f"{QUESTIONNAIRE_ID}.{question.key}"
    asked_when = None
    if question.asked_when is not None:
        other, codes = question.asked_when
        asked_when = {"question": other, "answers": sorted(codes)}
    return {
        "key": question.key,
        "kind": question.kind.value,
        "text_key": f"{key}.text",
        "text": own.get(f"{key}.text", question.text),
        "options": [
            {
                "code": option.code,
                "text_key": f"{key}.options.{option.code}",
                "text": own.get(f"{key}.options.{option.code}", option.text),
            }
            for option in question.options
        ],
        "required": question.required,
        "asked_when": asked_when,
        "valid_days": question.valid_days,
    }
