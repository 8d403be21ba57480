"""The session estimate: distribution, calendar, chair time, second view, reasons."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, exp, log1p

from courses.science.basis import CAUTION, Basis
from courses.science.estimate.cohort import CohortFactor, CohortView, cohort_view
from courses.science.estimate.inputs import Assessment, EstimateRequest, check_request
from courses.science.estimate.notes import notes_on
from courses.science.estimate.plan import Calendar, ChairHours, calendar_of, chair_hours
from courses.science.estimate.prior import (
    PUBLISHED_PRIOR,
    PalpableExtra,
    PriorSettings,
    palpable_extra,
    prior_of,
)
from courses.science.fading.explain import Note
from courses.science.fading.forecast import HORIZON, Sessions, TattooForecast, forecast_batch
from courses.science.fading.inputs import FadingCase, Goal, check_goal
from courses.science.fading.model import LOG_CLEAR, Prior
from courses.science.kirby_desai import (
    ScaleInput,
    ScaleResult,
    colour_level,
    location_of,
    score,
)
from courses.vocabulary import BodySite, InkAmount, InkColour

Z_90 = 1.2815515655446004
BLACKS = frozenset({InkColour.BLACK, InkColour.BLUE_BLACK})
LEG_SITES = frozenset({BodySite.THIGH, BodySite.LOWER_LEG, BodySite.FOOT})


@dataclass(frozen=True, slots=True)
class DoneBy:
    """The probability that the goal is reached by session number `session` of the course."""

    session: int
    probability: float


@dataclass(frozen=True, slots=True)
class SessionEstimate:
    """An estimate with everything it was made from.

    `assessed`: total sessions by the assessment alone. `forecast`: total and remaining sessions
    after what was done and seen. `cohort`: the second view, `disagrees` when the two are far
    apart (None where they cannot be compared, as when lightening).
    """

    scale: ScaleResult
    settings: PriorSettings
    palpable: PalpableExtra
    assessed: Sessions
    forecast: TattooForecast
    done_by: tuple[DoneBy, ...]
    calendar: Calendar
    chair: ChairHours | None
    cohort: CohortView
    disagrees: bool | None
    notes: tuple[Note, ...]
    basis: tuple[Basis, ...]
    caution: str = CAUTION

    @property
    def total(self) -> Sessions:
        """P10, P50, P90 of the sessions of the whole course."""
        return self.forecast.total

    @property
    def remaining(self) -> Sessions:
        """P10, P50, P90 of the sessions still to come."""
        return self.forecast.remaining


@dataclass(frozen=True, slots=True)
class FirstEstimate:
    """What was to be expected at the start.

    `score`: sessions at one session a point, with what a palpable tattoo adds, times the part of
    the need that a lightening takes. `sessions`: the total by the given settings.
    """

    score: float
    sessions: Sessions


@dataclass(frozen=True, slots=True)
class _Assessed:
    scale: ScaleResult
    extra: PalpableExtra
    prior: Prior


def estimate(request: EstimateRequest, *, horizon: int = HORIZON) -> SessionEstimate:
    """Estimate one tattoo. Raises InvalidInput, naming the field and the rule broken."""
    return estimate_batch([request], horizon=horizon)[0]


def estimate_batch(
    requests: Sequence[EstimateRequest], *, horizon: int = HORIZON
) -> list[SessionEstimate]:
    """Estimate many tattoos, in their order. Raises InvalidInput for the first bad one."""
    assessed = []
    for request in requests:
        check_request(request)
        assessed.append(_assess(request))
    cases = [
        FadingCase(
            parts=request.assessment.parts,
            prior=of.prior,
            sessions=request.sessions,
            grades=request.grades,
            darkenings=request.darkenings,
            goal=request.goal,
            model=request.model,
        )
        for request, of in zip(requests, assessed, strict=True)
    ]
    forecasts = forecast_batch(cases, horizon=horizon)
    return [
        _answer(request, of=of, forecast=forecast)
        for request, of, forecast in zip(requests, assessed, forecasts, strict=True)
    ]


def first_estimate(assessment: Assessment, *, settings: PriorSettings, goal: Goal) -> FirstEstimate:
    """What the assessment alone says, without the fading model. Raises InvalidInput."""
    request = EstimateRequest(assessment=assessment, settings=settings, goal=goal)
    check_request(request)
    check_goal(goal)
    of = _assess(request)
    plain = _assess(replace(request, settings=PUBLISHED_PRIOR))
    return FirstEstimate(
        score=_part_of_need(goal) * (plain.scale.total + plain.extra.mean),
        sessions=_assessed_sessions(of.prior, goal=goal),
    )


def scale_of(assessment: Assessment, *, multiplier: float) -> ScaleResult:
    """The score of an assessment; its colour level follows from the shares of its parts."""
    shares: dict[InkColour, float] = {}
    for part in assessment.parts:
        shares[part.colour] = shares.get(part.colour, 0.0) + part.share
    return score(
        ScaleInput(
            skin_type=assessment.skin_type,
            location=location_of(assessment.site),
            colour=colour_level(shares),
            ink_amount=assessment.ink_amount,
            scarring=assessment.scarring,
            layered=assessment.layered,
        ),
        multiplier=multiplier,
    )


def cohort_factors(request: EstimateRequest) -> frozenset[CohortFactor]:
    """The factors of the second view that an estimate's input names."""
    assessment = request.assessment
    darkened = bool(request.darkenings) or any(grade.darkened for grade in request.grades)
    age = assessment.age_months
    holds = {
        CohortFactor.SMOKER: assessment.smoker,
        CohortFactor.OVER_30_CM2: assessment.area_cm2 > 30,
        CohortFactor.LEG_OR_FOOT: assessment.site in LEG_SITES,
        CohortFactor.OVER_36_MONTHS: age is not None and age > 36,
        CohortFactor.DENSE_COLOUR: assessment.ink_amount is InkAmount.SIGNIFICANT,
        CohortFactor.INTERVAL_8_WEEKS_OR_LESS: request.intervals.usual_days <= 56,
        CohortFactor.DARKENED: darkened,
        _colour_factor({part.colour for part in assessment.parts}): True,
    }
    return frozenset(factor for factor, applies in holds.items() if applies)


def _colour_factor(colours: set[InkColour]) -> CohortFactor:
    if colours <= BLACKS:
        return CohortFactor.BLACK_ONLY
    if colours <= BLACKS | {InkColour.RED}:
        return CohortFactor.BLACK_AND_RED
    return CohortFactor.OTHER_COLOURS


def _assess(request: EstimateRequest) -> _Assessed:
    scale = scale_of(request.assessment, multiplier=request.settings.multiplier)
    extra = palpable_extra(scale, palpable=request.assessment.palpable)
    return _Assessed(
        scale=scale,
        extra=extra,
        prior=prior_of(scale, extra=extra, settings=request.settings),
    )


def _answer(
    request: EstimateRequest, *, of: _Assessed, forecast: TattooForecast
) -> SessionEstimate:
    cohort = cohort_view(cohort_factors(request), done=forecast.sessions_done)
    disagrees = _disagree(forecast.total, cohort.total) if request.goal.clears else None
    chair = request.chair
    return SessionEstimate(
        scale=of.scale,
        settings=request.settings,
        palpable=of.extra,
        assessed=_assessed_sessions(of.prior, goal=request.goal),
        forecast=forecast,
        done_by=tuple(
            DoneBy(session=forecast.sessions_done + n, probability=probability)
            for n, probability in enumerate(forecast.done_within)
        ),
        calendar=calendar_of(
            forecast.remaining, intervals=request.intervals, next_on=request.next_on
        ),
        chair=chair_hours(forecast, parts=request.assessment.parts, chair=chair) if chair else None,
        cohort=cohort,
        disagrees=disagrees,
        notes=forecast.notes
        + notes_on(prior=of.prior, request=request, disagrees=disagrees, cohort=cohort),
        basis=(*of.scale.basis, *forecast.basis, of.extra.basis, cohort.basis),
    )


def _assessed_sessions(prior: Prior, *, goal: Goal) -> Sessions:
    part = _part_of_need(goal)
    return Sessions(
        *(
            max(1, ceil(part * exp(prior.log_sessions + z * prior.log_sd)))
            for z in (-Z_90, 0.0, Z_90)
        )
    )


def _part_of_need(goal: Goal) -> float:
    return -log1p(-goal.clearance) / LOG_CLEAR


def _disagree(own: Sessions, other: Sessions) -> bool:
    """Whether the median of one lies outside the P10-P90 of the other (None is the far end)."""
    return not (_within(own.p50, other) and _within(other.p50, own))


def _within(value: int | None, span: Sessions) -> bool:
    if span.p90 is not None and (value is None or value > span.p90):
        return False
    return span.p10 is not None and (value is None or value >= span.p10)
