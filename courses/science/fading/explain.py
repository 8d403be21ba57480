"""Sentences that say what stands out in a tattoo's fading."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import log

from courses.science.basis import Basis, Kind
from courses.science.fading.inputs import FadingCase, Grade, Part
from courses.science.fading.model import MISMATCH_BASIS, MODEL_BASIS, Match
from courses.vocabulary import Technique

SURPRISE_SCALES = 4

OUTLINE_BASIS = Basis(
    id="fading.lagging-outline",
    version="1",
    source="Thin and shaded areas clear before thick outlines (common practice)",
    kind=Kind.COMMON_PRACTICE,
)
DARKENING_BASIS = Basis(
    id="fading.darkening",
    version="1",
    source=(
        "Reduction of iron and titanium oxides darkens brown, white and flesh inks; immediate "
        "grey in 18 of 98 brow tattoos did not raise the session count (2021 series); starting "
        "anew is a proposal"
    ),
    kind=Kind.PROPOSAL,
)


@dataclass(frozen=True, slots=True)
class Note:
    """A stable id, a sentence, the part it is about (None: the tattoo) and its basis."""

    id: str
    text: str
    part: str | None
    basis: Basis


def notes_for(case: FadingCase, *, medians: Mapping[str, float]) -> tuple[Note, ...]:
    """Notes on a forecast; `medians`: the median clearance of each part still to clear."""
    latest = {grade.part: grade for grade in case.grades}
    notes = []
    for part in case.parts:
        if part.cleared:
            continue
        notes.extend(_darkened(case, part=part))
        if _lags(part, case=case, latest=latest, medians=medians):
            notes.append(_lagging(part))
        if part.key in latest and _surprises(latest[part.key], case=case, median=medians[part.key]):
            notes.append(_surprising(latest[part.key]))
        if part.planned is Match.POOR:
            notes.append(
                Note(
                    id="poor-match",
                    text=(
                        f"The wavelengths planned hardly touch {part.key}: under 3 % a session "
                        "is seen in such inks. Look for another wavelength."
                    ),
                    part=part.key,
                    basis=MISMATCH_BASIS,
                )
            )
    if not case.grades:
        notes.append(
            Note(
                id="no-grades",
                text="No grade counts yet: this is what the assessment alone says.",
                part=None,
                basis=MODEL_BASIS,
            )
        )
    return tuple(notes)


def _darkened(case: FadingCase, *, part: Part) -> list[Note]:
    darkened = any(grade.darkened and grade.part == part.key for grade in case.grades) or any(
        event.part == part.key for event in case.darkenings
    )
    if not darkened:
        return []
    return [
        Note(
            id="darkened",
            text=(
                f"{part.key} darkened. It is reckoned anew from then on, with the most ink that "
                "was seen; a darkened ink answers like black. A clinician decides how to go on."
            ),
            part=part.key,
            basis=DARKENING_BASIS,
        )
    ]


def _lags(
    part: Part, *, case: FadingCase, latest: Mapping[str, Grade], medians: Mapping[str, float]
) -> bool:
    """Whether an outline was graded below a part in another technique, and the model agrees."""
    if part.technique is not Technique.OUTLINE or part.key not in latest:
        return False
    own = latest[part.key]
    ahead = [
        other
        for other in case.parts
        if other.technique is not Technique.OUTLINE
        and other.key in latest
        and latest[other.key].low > own.low
        and latest[other.key].high > own.high
    ]
    median = medians[part.key]
    return any(medians.get(other.key, 1.0) >= median for other in ahead)


def _surprises(grade: Grade, *, case: FadingCase, median: float) -> bool:
    """Whether the last grade is further from the median clearance than graders usually err.

    The limit is four scales of the grading error, passed in fewer than 2 % of grades.
    """
    later = [session.treated_on for session in case.sessions]
    later += [event.seen_on for event in case.darkenings if event.part == grade.part]
    if any(day >= grade.graded_on for day in later):
        return False
    nearest = min(max(median, grade.low), grade.high)
    if nearest in (median, 0.0, 1.0) or not 0 < median < 1:
        return False
    return abs(_logit(nearest) - _logit(median)) > SURPRISE_SCALES * case.model.grader_scale


def _logit(fraction: float) -> float:
    return log(fraction / (1 - fraction))


def _surprising(grade: Grade) -> Note:
    return Note(
        id="surprising-grade",
        text=(
            f"The last grade of {grade.part} is far from what the assessment and the other grades "
            "lead to expect. Look again at the grade and at the assessment."
        ),
        part=grade.part,
        basis=MODEL_BASIS,
    )


def _lagging(part: Part) -> Note:
    if part.blister_or_scar:
        return Note(
            id="lagging-outline-with-reaction",
            text=(
                f"{part.key} lags behind and blistered or scarred: this is not put down to ink "
                "volume. A clinician should look at it."
            ),
            part=part.key,
            basis=OUTLINE_BASIS,
        )
    return Note(
        id="lagging-outline",
        text=(
            f"{part.key} lags behind the shaded and filled parts. Without blistering or scarring "
            "that is ink volume, not harm: a thick line holds more ink."
        ),
        part=part.key,
        basis=OUTLINE_BASIS,
    )
