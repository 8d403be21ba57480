"""A chain's courses as calibration sees them: what was to be expected, and what came of it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from django.db.models import Count, Exists, OuterRef, Subquery

from clinics.models import Chain
from courses.calibration.records import CourseRecord, Outcome
from courses.healing import Policy
from courses.models import Course, Session, TreatmentPass
from courses.science.errors import InvalidInput
from courses.science.estimate.answer import FirstEstimate, first_estimate
from courses.science.estimate.prior import PriorSettings
from courses.selectors.estimation.priors import prior_of_chain
from courses.selectors.estimation.records import TREATED
from courses.selectors.estimation.requests import Setting, assessment_of, goal_of, parts_of
from courses.selectors.plans import Technique
from courses.vocabulary import CourseEnd, CourseStatus, SkinType

CHUNK: Final = 500
RUNNING: Final = (CourseStatus.ACTIVE, CourseStatus.ON_HOLD)
# The goal was out of reach for another reason than the number of sessions.
STOPPED: Final = (CourseEnd.CLINICIAN_STOPPED, CourseEnd.DIED)


@dataclass(frozen=True, slots=True)
class CalibrationData:
    """The courses that count, how many could not be estimated, and the prior that predicted."""

    records: tuple[CourseRecord, ...]
    left_out: int
    prior: PriorSettings


def calibration_data(
    chain: Chain, *, now: datetime, on_read: Callable[[int], None] = lambda _: None
) -> CalibrationData:
    """Courses of the chain that treated something, from their first session on.

    A course whose tattoos were treated in an earlier one is left aside: its need was smaller
    than the assessment says. Predictions are those of the prior in force now. `on_read` is told
    how many courses have been read. Four queries, and three more for every 500 courses.
    """
    prior = prior_of_chain(chain)
    setting = Setting(prior=prior, policy=Policy(), lines=(), technique=Technique())
    records = []
    read = 0
    for course in _courses(chain).iterator(chunk_size=CHUNK):
        read += 1
        record = _record(course, setting=setting, now=now)
        if record is not None:
            records.append(record)
        if read % CHUNK == 0:
            on_read(read)
    on_read(read)
    return CalibrationData(records=tuple(records), left_out=read - len(records), prior=prior)


def _courses(chain: Chain) -> Any:
    own = Session.objects.filter(course=OuterRef("pk"), status__in=TREATED)
    earlier = TreatmentPass.objects.filter(
        parts__tattoo__courses=OuterRef("pk"),
        session__status__in=TREATED,
        session__started_at__lt=OuterRef("first_at"),
    ).exclude(session__course=OuterRef("pk"))
    return (
        Course.objects.filter(
            chain=chain, status__in=[*RUNNING, CourseStatus.COMPLETED, CourseStatus.REVOKED]
        )
        .annotate(
            first_at=Subquery(own.order_by("started_at").values("started_at")[:1]),
            done=Subquery(own.order_by().values("course").annotate(n=Count("pk")).values("n")),
        )
        .filter(~Exists(earlier), done__gt=0)
        .select_related("patient")
        .prefetch_related("tattoos__parts")
        .order_by("pk")
    )


def _record(course: Any, *, setting: Setting, now: datetime) -> CourseRecord | None:
    """The course, or None when its record cannot be estimated."""
    try:
        expected = max(
            _first_estimates(course, setting=setting, now=now),
            key=lambda first: first.score,
            default=None,
        )
    except InvalidInput:
        return None
    if expected is None:
        return None
    sessions = expected.sessions
    if sessions.p10 is None or sessions.p50 is None or sessions.p90 is None:
        return None
    return CourseRecord(
        key=str(course.pk),
        score=expected.score,
        p10=sessions.p10,
        p50=sessions.p50,
        p90=sessions.p90,
        sessions_done=course.done,
        outcome=_outcome(course),
    )


def _first_estimates(course: Course, *, setting: Setting, now: datetime) -> Iterator[FirstEstimate]:
    skin_type = SkinType(course.patient.skin_type)
    for tattoo in course.tattoos.all():
        parts = parts_of(tattoo, skin_type=skin_type, setting=setting)
        assessment = assessment_of(tattoo, patient=course.patient, parts=parts, today=now.date())
        yield first_estimate(assessment, settings=setting.prior, goal=goal_of(course))


def _outcome(course: Course) -> Outcome:
    if course.status == CourseStatus.COMPLETED:
        return Outcome.REACHED
    if course.status in RUNNING:
        return Outcome.RUNNING
    return Outcome.STOPPED if course.end_reason in STOPPED else Outcome.DROPPED_OUT
