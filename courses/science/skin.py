"""Fitzpatrick skin type from a questionnaire of ten answers, 0 to 4 points each.

Classes of the sum: 0-6 I, 7-13 II, 14-20 III, 21-27 IV, 28-34 V, 35-40 VI (published, two
sources). Another form in use has overlapping classes and is not used here. The questions are in
this project's own words.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import atan2, degrees, isfinite

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from courses.vocabulary import SkinType

QUESTIONNAIRE_VERSION = "1"
POINTS_PER_ITEM = 4
# Lowest sum of each type.
LOWEST_SCORE: Mapping[SkinType, int] = {
    SkinType.I: 0,
    SkinType.II: 7,
    SkinType.III: 14,
    SkinType.IV: 21,
    SkinType.V: 28,
    SkinType.VI: 35,
}
BASIS = Basis(
    id="skin-type.questionnaire",
    version=QUESTIONNAIRE_VERSION,
    source="Fitzpatrick questionnaire of ten items, classes read in two sources; types I to IV "
    "1975, V and VI later",
    kind=Kind.PUBLISHED,
)


@dataclass(frozen=True, slots=True)
class SkinItem:
    """One question and its five answers, worth 0 to 4 points in this order.

    `key` with `.text` and `.options.<n>` are the keys for translation.
    """

    key: str
    text: str
    options: tuple[str, str, str, str, str]


ITEMS: tuple[SkinItem, ...] = (
    SkinItem(
        "eyes",
        "What colour are your eyes?",
        ("light blue, grey or green", "blue, grey or green", "blue to hazel", "brown", "black"),
    ),
    SkinItem(
        "hair",
        "What is the natural colour of your hair?",
        ("red or sandy", "blond", "dark blond or chestnut", "dark brown", "black"),
    ),
    SkinItem(
        "skin",
        "What colour is your skin where the sun never reaches it?",
        ("reddish", "very pale", "pale, slightly beige", "light brown", "dark brown"),
    ),
    SkinItem(
        "freckles",
        "How many freckles are there on skin that the sun does not reach?",
        ("many", "several", "few", "hardly any", "none"),
    ),
    SkinItem(
        "burn",
        "What happens when you stay in the sun too long?",
        (
            "painful burn with blisters and peeling",
            "burn with blisters, then peeling",
            "burn, sometimes peeling",
            "rarely a burn",
            "never a burn",
        ),
    ),
    SkinItem(
        "tan",
        "How brown do you turn?",
        ("not at all", "a little", "moderately", "easily and well", "dark very quickly"),
    ),
    SkinItem(
        "speed",
        "Do you turn brown within hours of sun?",
        ("never", "seldom", "sometimes", "often", "always"),
    ),
    SkinItem(
        "face",
        "How does your face react to the sun?",
        ("very sensitively", "sensitively", "normally", "hardly", "never had a problem"),
    ),
    SkinItem(
        "last_sun",
        "When were you last in the sun, on a sun bed or used a self-tanner?",
        (
            "more than 3 months ago",
            "2 to 3 months ago",
            "1 to 2 months ago",
            "less than a month ago",
            "less than 2 weeks ago",
        ),
    ),
    SkinItem(
        "area_sun",
        "Does the area to be treated get sun?",
        ("never", "hardly ever", "sometimes", "often", "always"),
    ),
)
MAX_SCORE = POINTS_PER_ITEM * len(ITEMS)


@dataclass(frozen=True, slots=True)
class SkinTypeResult:
    """The sum of the answers and the type it gives."""

    score: int
    skin_type: SkinType
    basis: tuple[Basis, ...] = (BASIS,)
    caution: str = CAUTION


def skin_type_of_score(score: int) -> SkinType:
    """The type of a sum of 0 to 40. Raises InvalidInput outside."""
    if isinstance(score, bool) or score not in range(MAX_SCORE + 1):
        raise InvalidInput(
            field="score",
            rule="score-range",
            message=f"The score is a whole number from 0 to {MAX_SCORE}, not {score}.",
        )
    return max(skin for skin, lowest in LOWEST_SCORE.items() if score >= lowest)


def skin_type_of_answers(answers: Mapping[str, int]) -> SkinTypeResult:
    """The type from the points (0 to 4) of all ten items, by key.

    Raises InvalidInput for an unknown, missing or impossible answer.
    """
    known = {item.key for item in ITEMS}
    for key in answers:
        if key not in known:
            raise InvalidInput(
                field=f"answers.{key}",
                rule="question-unknown",
                message=f"There is no question {key!r}.",
            )
    score = sum(_points(answers, key=item.key) for item in ITEMS)
    return SkinTypeResult(score=score, skin_type=skin_type_of_score(score))


def skin_questionnaire() -> dict[str, object]:
    """The questionnaire as JSON values for a front end to render, with translation keys."""
    return {
        "id": "skin-type",
        "version": QUESTIONNAIRE_VERSION,
        "language": "en",
        "items": [
            {
                "key": item.key,
                "text_key": f"skin-type.{item.key}.text",
                "text": item.text,
                "options": [
                    {
                        "points": points,
                        "text_key": f"skin-type.{item.key}.options.{points}",
                        "text": text,
                    }
                    for points, text in enumerate(item.options)
                ],
            }
            for item in ITEMS
        ],
        "basis": [
            {
                "id": BASIS.id,
                "version": BASIS.version,
                "source": BASIS.source,
                "kind": BASIS.kind.value,
            }
        ],
        "caution": CAUTION,
    }


def typology_angle_deg(lightness: float, *, yellow: float) -> float:
    """Individual typology angle in degrees from CIELAB L* and b*: atan((L* - 50) / b*).

    From memory: above 55 very light, 41 light, 28 intermediate, 10 tan, -30 brown, below dark.
    Raises InvalidInput for L* outside 0..100 or b* not above 0.
    """
    if not 0 <= lightness <= 100:
        raise InvalidInput(field="lightness", rule="lab-range", message="L* is 0 to 100.")
    if not isfinite(yellow) or yellow <= 0:
        raise InvalidInput(field="yellow", rule="lab-range", message="b* of skin is above 0.")
    return degrees(atan2(lightness - 50, yellow))


def _points(answers: Mapping[str, int], *, key: str) -> int:
    if key not in answers:
        raise InvalidInput(
            field=f"answers.{key}",
            rule="answer-missing",
            message=f"The question {key!r} is not answered.",
        )
    points = answers[key]
    allowed: Sequence[int] = range(POINTS_PER_ITEM + 1)
    if isinstance(points, bool) or points not in allowed:
        raise InvalidInput(
            field=f"answers.{key}",
            rule="points-range",
            message=f"{key} takes 0 to {POINTS_PER_ITEM} points, not {points}.",
        )
    return points
