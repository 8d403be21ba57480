"""What a clinician should know when reading an estimate."""

from math import exp

from courses.science.basis import Basis, Kind
from courses.science.estimate.cohort import CohortView
from courses.science.estimate.inputs import EstimateRequest
from courses.science.estimate.prior import COEFFICIENT_OF_VARIATION, PUBLISHED_PRIOR, SPREAD_BASIS
from courses.science.fading.explain import Note
from courses.science.fading.model import BAND_BASIS, LOG_CLEAR, Prior

BAND_LOW, BAND_HIGH = 0.15, 0.50

MULTIPLIER_BASIS = Basis(
    id="session-estimate.multiplier",
    version="1",
    source=(
        "J Cosmet Dermatol 2024;23:818-823 (n = 11): 5.09 sessions against a mean score of 9.9, "
        "ratio 0.51; a second study (n = 22) also found fewer than the score"
    ),
    kind=Kind.PUBLISHED,
)
DISAGREEMENT_BASIS = Basis(
    id="session-estimate.disagreement",
    version="1",
    source="The median of one view lies outside the P10-P90 of the other (proposal)",
    kind=Kind.PROPOSAL,
)


def notes_on(
    *, prior: Prior, request: EstimateRequest, disagrees: bool | None, cohort: CohortView
) -> tuple[Note, ...]:
    """Notes on the prior, its reading, and the second view."""
    notes = []
    fading = 1 - exp(-LOG_CLEAR / prior.median_sessions)
    if not BAND_LOW <= fading <= BAND_HIGH:
        notes.append(
            Note(
                id="outside-published-fading",
                text=(
                    f"The assessment means {fading:.0%} of the ink a session; published series "
                    f"lie from {BAND_LOW:.0%} to {BAND_HIGH:.0%}."
                ),
                part=None,
                basis=BAND_BASIS,
            )
        )
    notes.append(_reading(request))
    if disagrees:
        notes.append(
            Note(
                id="views-disagree",
                text=(
                    "The scale and the published cohort are far apart: the cohort's P10 to P90 is "
                    f"{_count(cohort.total.p10)} to {_count(cohort.total.p90)} sessions, median "
                    f"{_count(cohort.total.p50)}. Tell the patient of both."
                ),
                part=None,
                basis=DISAGREEMENT_BASIS,
            )
        )
    if disagrees is None:
        notes.append(
            Note(
                id="cohort-is-of-removal",
                text="The cohort counted removals; it says nothing of lightening to a target.",
                part=None,
                basis=cohort.basis,
            )
        )
    return tuple(notes)


def _reading(request: EstimateRequest) -> Note:
    settings = request.settings
    own = settings.version != PUBLISHED_PRIOR.version
    if own:
        text = (
            f"Read with the chain's own values, version {settings.version}: "
            f"{settings.multiplier:.2f} sessions a point ({settings.source})."
        )
    elif settings.multiplier == 1 and settings.coefficient_of_variation == COEFFICIENT_OF_VARIATION:
        text = (
            "Read as published, one session a point; two small later cohorts needed fewer, one of "
            "them about half."
        )
    else:
        text = f"Read with {settings.multiplier:.2f} sessions a point instead of the published 1."
    return Note(
        id="scale-reading",
        text=text,
        part=None,
        basis=SPREAD_BASIS if own else MULTIPLIER_BASIS,
    )


def _count(value: int | None) -> str:
    return "more than the horizon" if value is None else str(value)
