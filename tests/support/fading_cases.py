"""Tattoos made up for tests, and grades drawn from the fading model itself."""

import math
from datetime import date, timedelta

from courses.science.fading.inputs import FadingCase, Grade, Part, TreatedSession
from courses.science.fading.model import DEFAULT_MODEL, MODEL_BASIS, Match, Prior
from courses.science.fading.segments import segments_of
from courses.science.grading import SCALES, ClearanceScale, band_of
from courses.vocabulary import InkColour, Technique

FIRST_DAY = date(2025, 1, 7)
GAP = timedelta(days=56)
GRADED_AFTER = timedelta(days=42)
TECHNIQUES = (Technique.SOLID_FILL, Technique.OUTLINE, Technique.SHADING, Technique.OUTLINE)
PRIOR = Prior(log_sessions=math.log(9.0), log_sd=0.24, of_tattoo=True, basis=MODEL_BASIS)


def parts(count, *, planned=Match.FIRST):
    """Black parts of alternating technique and equal shares."""
    return [
        Part(
            key=f"part-{n}",
            colour=InkColour.BLACK,
            technique=TECHNIQUES[n % 4],
            share=1 / count,
            planned=planned,
        )
        for n in range(count)
    ]


def sessions(count, keys, *, match=Match.FIRST):
    """Sessions eight weeks apart that treat every part alike."""
    return [
        TreatedSession(treated_on=FIRST_DAY + n * GAP, matches=dict.fromkeys(keys, match))
        for n in range(count)
    ]


def case(*, part_count=1, session_count=0, grades=(), **changes):
    """A tattoo of black parts with sessions and grades."""
    chosen = changes.pop("parts", None) or parts(part_count)
    keys = [part.key for part in chosen]
    return FadingCase(
        parts=chosen,
        prior=changes.pop("prior", PRIOR),
        sessions=changes.pop("sessions", None) or sessions(session_count, keys),
        grades=grades,
        **changes,
    )


def grade(label, *, after, part="part-0", scale=ClearanceScale.QUARTILES_CLEAR, **changes):
    """A grade by its label, six weeks after session number `after` (1 is the first)."""
    band = next(band for band in SCALES[scale] if band.label == label)
    day = FIRST_DAY + (after - 1) * GAP + GRADED_AFTER
    return Grade(part=part, graded_on=day, low=band.low, high=band.high, **changes)


def drawn_case(rng, *, part_count, session_count, scale=ClearanceScale.QUARTILES_CLEAR, **changes):
    """A case whose grades come from the model, and the true deviations b of its parts.

    The grader repeats the last grade where the eye would say less, as the service asks.
    """
    bare = case(part_count=part_count, session_count=session_count, **changes)
    model, prior = bare.model, bare.prior
    patient = rng.standard_normal()
    own = rng.standard_normal(part_count)
    deviation = math.sqrt(model.patient_share) * patient + math.sqrt(1 - model.patient_share) * own
    grades = []
    for segment, b in zip(segments_of(bare), deviation, strict=True):
        rate = math.exp(segment.mean + prior.log_sd * b)
        best = None
        for session in range(1, session_count + 1):
            seen = judged(rate * session, rng=rng, scale=scale)
            best = seen if best is None or seen.grade > best.grade else best
            grades.append(
                Grade(
                    part=bare.parts[segment.part].key,
                    graded_on=FIRST_DAY + (session - 1) * GAP + GRADED_AFTER,
                    low=best.low,
                    high=best.high,
                )
            )
    return case(
        part_count=part_count, session_count=session_count, grades=grades, **changes
    ), deviation


def judged(gone, *, rng, scale, grader_scale=DEFAULT_MODEL.grader_scale):
    """The band a grader names for log ink gone `gone`."""
    seen = math.log(math.expm1(gone)) + rng.logistic(scale=grader_scale)
    return band_of(1 / (1 + math.exp(-seen)), scale=scale)
