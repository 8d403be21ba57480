"""What each answer means for treatment: block, wait, hold for a clinician, or warn."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import IntEnum

from courses.science.basis import Basis, Kind
from courses.science.ink_table import DARKENING_INKS
from courses.science.precautions.answers import AnswerSheet
from courses.science.precautions.questions import UNSURE, YES

TAN_WAIT_DAYS = 28
ISOTRETINOIN_DAYS = 182
STABLE_DAYS = 365
ADULT_YEARS = 18


class PrecautionEffect(IntEnum):
    """What a precaution does, from the mildest to the strongest."""

    WARN = 1
    HOLD = 2
    WAIT = 3
    BLOCK = 4

    @property
    def code(self) -> str:
        """The effect as a word for clients."""
        return {
            PrecautionEffect.WARN: "warn",
            PrecautionEffect.HOLD: "hold_for_clinician",
            PrecautionEffect.WAIT: "wait_until",
            PrecautionEffect.BLOCK: "block",
        }[self]


Test = Callable[[AnswerSheet], bool]
Until = Callable[[AnswerSheet], date | None]


@dataclass(frozen=True, slots=True)
class Precaution:
    """One rule: the question it reads, when it applies, what it does and why.

    `lifelong`: it never ends. `clearable`: a clinician may clear it with a reason.
    """

    id: str
    question: str
    applies: Test
    effect: PrecautionEffect
    text: str
    source: str
    kind: Kind
    until: Until | None = None
    lifelong: bool = False
    clearable: bool = True
    test_spot: bool = False
    version: str = "1"

    @property
    def basis(self) -> Basis:
        """The rule's id, version, source and kind of support."""
        return Basis(
            id=f"precaution.{self.id}", version=self.version, source=self.source, kind=self.kind
        )


def _is(key: str, *codes: str) -> Test:
    return lambda sheet: sheet.code(key) in codes


def _tan_until(sheet: AnswerSheet) -> date | None:
    last = sheet.day("tan_on") or sheet.answered_on("tan")
    return None if last is None else last + timedelta(days=TAN_WAIT_DAYS)


def _recent_isotretinoin(sheet: AnswerSheet) -> bool:
    if sheet.code("isotretinoin") == "now":
        return True
    if sheet.code("isotretinoin") != "past":
        return False
    stopped = sheet.day("isotretinoin_stopped")
    return stopped is None or sheet.today < stopped + timedelta(days=ISOTRETINOIN_DAYS)


def _long_stable(sheet: AnswerSheet) -> bool:
    since = sheet.day("skin_disease_stable_since")
    return since is not None and sheet.today >= since + timedelta(days=STABLE_DAYS)


def _is_minor(sheet: AnswerSheet) -> bool:
    born = sheet.subject.birth_date
    if born is None:
        return False
    had_birthday = (sheet.today.month, sheet.today.day) >= (born.month, born.day)
    return sheet.today.year - born.year - (0 if had_birthday else 1) < ADULT_YEARS


def _may_darken(sheet: AnswerSheet) -> bool:
    answered = sheet.code("cosmetic_ink") == YES
    return answered or bool(sheet.subject.colours & DARKENING_INKS)


_IADVL = "IADVL guideline 2009, Indian J Dermatol Venereol Leprol 75(8 suppl):111-126"

PRECAUTIONS: tuple[Precaution, ...] = (
    Precaution(
        id="gold",
        question="gold",
        applies=lambda sheet: sheet.code("gold") == YES or sheet.subject.gold_on_record,
        effect=PrecautionEffect.BLOCK,
        text="After gold medication short laser pulses can turn the skin blue-grey for good, even "
        "decades later. Never.",
        source="Cohen & Ross 2015 (PMC4587895): five cases, up to 26 years after",
        kind=Kind.PUBLISHED,
        lifelong=True,
        clearable=False,
    ),
    Precaution(
        id="infection",
        question="infection",
        applies=_is("infection", YES),
        effect=PrecautionEffect.BLOCK,
        text="Infected or open skin is not treated until it has healed.",
        source=f"{_IADVL}: absolute",
        kind=Kind.PUBLISHED,
        clearable=False,
    ),
    Precaution(
        id="herpes-now",
        question="herpes_now",
        applies=_is("herpes_now", YES),
        effect=PrecautionEffect.BLOCK,
        text="Herpes at the site is not treated over until it has healed.",
        source=f"{_IADVL}: active local infection, absolute",
        kind=Kind.PUBLISHED,
        clearable=False,
    ),
    Precaution(
        id="herpes-history",
        question="herpes_history",
        applies=_is("herpes_history", YES),
        effect=PrecautionEffect.HOLD,
        text="Herpes at the site before: a physician decides on prevention.",
        source="secondary account of a guideline",
        kind=Kind.PUBLISHED,
    ),
    Precaution(
        id="light-disease",
        question="light_disease",
        applies=_is("light_disease", YES),
        effect=PrecautionEffect.BLOCK,
        text="An illness that light makes worse rules the treatment out.",
        source=f"{_IADVL}: absolute",
        kind=Kind.PUBLISHED,
        clearable=False,
    ),
    Precaution(
        id="photodynamic",
        question="light_medicine",
        applies=_is("light_medicine", "photodynamic"),
        effect=PrecautionEffect.WAIT,
        text="After a medicine for photodynamic therapy: wait until the skin is no longer "
        "sensitive to light.",
        source="letter on a national guideline, secondary account",
        kind=Kind.PUBLISHED,
        until=lambda sheet: sheet.day("light_medicine_until"),
    ),
    Precaution(
        id="light-medicine-strong",
        question="light_medicine",
        applies=_is("light_medicine", "strong"),
        effect=PrecautionEffect.HOLD,
        text="Amiodarone, minocycline or St John's wort: a physician decides; test spot.",
        source="Kerstein 2014, Lasers Med Sci 29:1449, and guideline accounts",
        kind=Kind.PUBLISHED,
        test_spot=True,
    ),
    Precaution(
        id="light-medicine-other",
        question="light_medicine",
        applies=_is("light_medicine", "other"),
        effect=PrecautionEffect.WARN,
        text="Most such medicines act in ultraviolet light; above 500 nm an effect is very "
        "unlikely.",
        source="Kerstein 2014, Lasers Med Sci 29:1449: four papers, no event",
        kind=Kind.PUBLISHED,
    ),
    Precaution(
        id="isotretinoin",
        question="isotretinoin",
        applies=_recent_isotretinoin,
        effect=PrecautionEffect.HOLD,
        text="Isotretinoin within the last 6 months: labels ask for a wait, a consensus found too "
        "little evidence for one; a physician decides.",
        source="Spring 2017, JAMA Dermatol 153:802; Waldman 2017, Dermatol Surg 43:1249 (short-"
        "pulse tattoo lasers not named)",
        kind=Kind.PUBLISHED,
    ),
    Precaution(
        id="pregnancy",
        question="pregnancy",
        applies=_is("pregnancy", "pregnant", "breast_feeding"),
        effect=PrecautionEffect.WAIT,
        text="Put off until after birth and breast-feeding: a precaution, no harm is known.",
        source="usual precaution, from memory",
        kind=Kind.COMMON_PRACTICE,
        until=lambda sheet: sheet.day("pregnancy_until"),
    ),
    Precaution(
        id="tan",
        question="tan",
        applies=_is("tan", YES),
        effect=PrecautionEffect.WAIT,
        text="Wait four weeks after tan, sunburn or self-tanner, and until it has faded.",
        source="2 to 6, mostly 4 weeks, from memory",
        kind=Kind.COMMON_PRACTICE,
        until=_tan_until,
    ),
    Precaution(
        id="keloid",
        question="keloid",
        applies=_is("keloid", YES),
        effect=PrecautionEffect.HOLD,
        text="Thick scars in the past: test spot, longer intervals, care on chest and shoulder.",
        source=f"{_IADVL}: relative",
        kind=Kind.PUBLISHED,
        test_spot=True,
    ),
    Precaution(
        id="ink-reaction",
        question="ink_reaction",
        applies=_is("ink_reaction", YES),
        effect=PrecautionEffect.BLOCK,
        text="Allergy or granuloma in a tattoo: short pulses can spread the reaction. A physician "
        "takes over.",
        source=f"{_IADVL}: absolute; Ashinoff 1995 (two cases)",
        kind=Kind.PUBLISHED,
        clearable=False,
    ),
    Precaution(
        id="skin-disease-active",
        question="skin_disease",
        applies=_is("skin_disease", "active"),
        effect=PrecautionEffect.BLOCK,
        text="Unstable vitiligo or psoriasis can spread to treated skin.",
        source=f"{_IADVL}: absolute",
        kind=Kind.PUBLISHED,
        clearable=False,
    ),
    Precaution(
        id="skin-disease-recent",
        question="skin_disease",
        applies=lambda sheet: sheet.code("skin_disease") == "stable" and not _long_stable(sheet),
        effect=PrecautionEffect.HOLD,
        text="Vitiligo or psoriasis not known to be stable for 12 months.",
        source="12 months, from memory",
        kind=Kind.MEMORY,
    ),
    Precaution(
        id="skin-disease-stable",
        question="skin_disease",
        applies=lambda sheet: sheet.code("skin_disease") == "stable" and _long_stable(sheet),
        effect=PrecautionEffect.WARN,
        text="Stable vitiligo or psoriasis may still appear in treated skin (28 % in a series of "
        "vitiligo, about 25 % in psoriasis).",
        source="107 of 381 with vitiligo; psoriasis from secondary accounts",
        kind=Kind.PUBLISHED,
    ),
    Precaution(
        id="immune",
        question="immune",
        applies=_is("immune", YES),
        effect=PrecautionEffect.HOLD,
        text="Weakened defence or poor healing: a physician decides.",
        source="usual precaution, from memory",
        kind=Kind.COMMON_PRACTICE,
    ),
    Precaution(
        id="mole",
        question="mole",
        applies=_is("mole", YES),
        effect=PrecautionEffect.HOLD,
        text="A mole is examined first and never treated over.",
        source="advice of a radiation-protection agency; Karsai, JEADV 2010 review",
        kind=Kind.PUBLISHED,
    ),
    Precaution(
        id="bleeding",
        question="bleeding",
        applies=_is("bleeding", YES),
        effect=PrecautionEffect.WARN,
        text="Expect purpura and pinpoint bleeding. Nobody stops a prescribed medicine without "
        "the prescriber.",
        source="house proposal",
        kind=Kind.PROPOSAL,
    ),
    Precaution(
        id="seizures",
        question="seizures",
        applies=_is("seizures", YES),
        effect=PrecautionEffect.HOLD,
        text="Seizures set off by light: a physician decides.",
        source="usual precaution, from memory",
        kind=Kind.COMMON_PRACTICE,
    ),
    Precaution(
        id="eyelid",
        question="eyelid",
        applies=_is("eyelid", YES),
        effect=PrecautionEffect.HOLD,
        text="At the eye only with a metal shield on the cornea, placed by who is trained for it.",
        source="usual precaution, from memory",
        kind=Kind.COMMON_PRACTICE,
    ),
    Precaution(
        id="minor",
        question="birth_date",
        applies=_is_minor,
        effect=PrecautionEffect.HOLD,
        text="Under 18: consent follows local law; a clinician and the legal guardian decide.",
        source="law differs by place",
        kind=Kind.COMMON_PRACTICE,
    ),
    Precaution(
        id="cancer-therapy",
        question="cancer_therapy",
        applies=_is("cancer_therapy", YES),
        effect=PrecautionEffect.HOLD,
        text="Chemotherapy or radiation now: not before the treating physician agrees.",
        source="usual precaution, from memory",
        kind=Kind.COMMON_PRACTICE,
    ),
    Precaution(
        id="darkening-ink",
        question="cosmetic_ink",
        applies=_may_darken,
        effect=PrecautionEffect.WARN,
        text="This ink may darken at once. Test spot first, looked at after the whitening.",
        source="immediate grey in 18 of 98 eyebrow patients; Varma 2002",
        kind=Kind.PUBLISHED,
        test_spot=True,
    ),
    Precaution(
        id="hopes",
        question="hopes",
        applies=_is("hopes", YES),
        effect=PrecautionEffect.WARN,
        text="Talk about what can stay behind before the first session.",
        source="most guidelines, from memory",
        kind=Kind.MEMORY,
    ),
)


def unsure_about(key: str, *, effect: PrecautionEffect) -> Precaution:
    """The precaution for an answer of "not sure": as grave as a hold, or a warning."""
    return Precaution(
        id=f"unsure-{key.replace('_', '-')}",
        question=key,
        applies=_is(key, UNSURE),
        effect=effect,
        text="The patient is not sure; ask again or look into the record.",
        source="house proposal",
        kind=Kind.PROPOSAL,
    )


UNSURE_PRECAUTIONS: tuple[Precaution, ...] = tuple(
    unsure_about(
        key,
        effect=PrecautionEffect.WARN if worst is PrecautionEffect.WARN else PrecautionEffect.HOLD,
    )
    for key, worst in {
        precaution.question: max(
            other.effect for other in PRECAUTIONS if other.question == precaution.question
        )
        for precaution in PRECAUTIONS
        if precaution.question != "birth_date"
    }.items()
)
