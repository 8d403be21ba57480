"""Plans become rows: the steps that the outlook wants, and none that it does not.

The planner looks at the courses that a change has touched, or whose time has come, a batch in a
transaction. Two planners at once share the courses out; running twice writes nothing new. A
batch that fails is halved until the course is found that it fails for: that one is set aside, and
looked at again after a pause that grows.
"""

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from django.db.models import Exists, OuterRef, Q

from core.db import command, step
from core.errors import Busy
from courses import locks
from courses.channels import reachable_channels
from courses.models import RecallPlan, RecallPolicy
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.selectors.recalls.facts import CourseRecords, course_records
from courses.selectors.recalls.policies import cadence_numbered, numbers_in_force
from courses.services.recalls.broken import PASSING, PlanBroken, plan_set_aside
from courses.services.recalls.plan_rows import Planned, looks_write, plans_write
from courses.timing import outlook
from courses.timing.differences import Ways, differences
from courses.vocabulary import Channel, RecallReason

logger = logging.getLogger(__name__)

BATCH: Final = 500
SECONDS: Final = 60.0
# The least that is later: not in this tick any more, and in the one after it.
NEXT: Final = timedelta(microseconds=1)
# For as long as a batch may take.
PLANNED_WITHIN: Final = timedelta(seconds=5)


@dataclass(frozen=True, slots=True)
class Unplanned:
    """Nobody knows what the plan of a course is; ask again at `until`."""

    reason: RecallReason
    until: datetime


def recalls_plan(*, now: datetime, seconds: float = SECONDS) -> int:
    """Look at all courses that are to be looked at by `now`; how many.

    What is left when time is up waits for the next tick, and so does a course of which somebody
    has a row in hand.
    """
    closed = ClosedDaysOfClinics(now=now)
    give_up, done = time.monotonic() + seconds, 0
    while time.monotonic() < give_up:
        try:
            planned = _plan_some(closed=closed, now=now)
        except Busy:
            logger.warning("plans are left to the next tick: others were at them")
            break
        if not planned:
            break
        done += planned
    return done


def _plan_some(*, closed: ClosedDaysOfClinics, now: datetime) -> int:
    try:
        return plan_batch(now=now, closed=closed)
    except PlanBroken as broken:
        return _plan_apart(broken, closed=closed, now=now)


@command
def plan_batch(*, now: datetime, closed: ClosedDaysOfClinics, limit: int = BATCH) -> int:
    """Plan the courses that are due to be looked at, then those under an old policy; how many.

    Raises PlanBroken.
    """
    numbers = numbers_in_force()
    plans = locks.lock_due_plans(now=now, limit=limit)
    for chain_id, number in sorted(numbers.items()):
        if plans:
            break
        plans = locks.lock_outdated_plans(chain_id=chain_id, number=number, limit=limit)
    if plans:
        _plan(plans, numbers=numbers, closed=closed, now=now)
    return len(plans)


def plan_if_due(*, message_id: int, now: datetime) -> Unplanned | None:
    """Plan the course of a message anew when that is due or an older policy planned it.

    One query when it is neither. So that a sender that comes before the planner does not send what
    the planner takes back. Nobody knows whether that is so where planning fails, nor while somebody
    else is at it: then when to ask again, else None.
    """
    newer = RecallPolicy.objects.filter(chain=OuterRef("chain"), number__gt=OuterRef("policy"))
    due = RecallPlan.objects.filter(
        Q(look_at__lte=now) | Q(failures__gt=0) | Exists(newer),
        course__recalls__messages=message_id,
    )
    look_at: datetime | None
    for course_id, look_at, failures in due.values_list("pk", "look_at", "failures"):
        if failures and look_at is not None and look_at > now:
            return Unplanned(RecallReason.PLAN_FAILS, look_at)
        try:
            if not plan_courses(courses=[course_id], now=now):
                return Unplanned(RecallReason.PLAN_UNDER_WAY, now + PLANNED_WITHIN)
        except Busy:
            return Unplanned(RecallReason.PLAN_UNDER_WAY, now + PLANNED_WITHIN)
        except PlanBroken as broken:
            why = broken.__cause__ or broken
            again_at = plan_set_aside(course_id=course_id, error=why, now=now)
            return Unplanned(RecallReason.PLAN_FAILS, again_at)
    return None


@command
def plan_courses(
    *, courses: Sequence[int], now: datetime, closed: ClosedDaysOfClinics | None = None
) -> int:
    """Plan these courses, but for those that somebody is at; how many. Raises PlanBroken."""
    plans = locks.lock_plans(courses)
    if not plans:
        return 0
    days = closed or ClosedDaysOfClinics(now=now)
    return _plan(plans, numbers=numbers_in_force(), closed=days, now=now)


def _plan_apart(broken: PlanBroken, *, closed: ClosedDaysOfClinics, now: datetime) -> int:
    """Plan all that can be planned of a batch that failed, and set the others aside; how many."""
    courses = broken.courses
    if len(courses) == 1:
        plan_set_aside(course_id=courses[0], error=broken.__cause__ or broken, now=now)
        return 1
    middle = len(courses) // 2
    for half in (courses[:middle], courses[middle:]):
        try:
            plan_courses(courses=half, closed=closed, now=now)
        except PlanBroken as smaller:
            _plan_apart(smaller, closed=closed, now=now)
    return len(courses)


@step
def _plan(
    plans: Sequence[RecallPlan],
    *,
    numbers: dict[int, int],
    closed: ClosedDaysOfClinics,
    now: datetime,
) -> int:
    courses = [plan.course_id for plan in plans]
    try:
        return _plan_each(courses, numbers=numbers, closed=closed, now=now)
    except PASSING:
        raise
    except Exception as error:
        raise PlanBroken(courses) from error


@step
def _plan_each(
    courses: Sequence[int],
    *,
    numbers: dict[int, int],
    closed: ClosedDaysOfClinics,
    now: datetime,
) -> int:
    records = course_records(courses, now=now)
    reachable = reachable_channels()
    planned = [
        _planned(
            one, number=numbers.get(one.chain_id, 0), reachable=reachable, closed=closed, now=now
        )
        for one in records
    ]
    left = {one.course_id for one in plans_write(planned, now=now)}
    looks_write(
        replace(one, look_at=now + NEXT) if one.course_id in left else one for one in planned
    )
    return len(planned) - len(left)


def _planned(
    records: CourseRecords,
    *,
    number: int,
    reachable: frozenset[Channel],
    closed: ClosedDaysOfClinics,
    now: datetime,
) -> Planned:
    cadence = cadence_numbered(records.chain_id, number)
    look = outlook(records.facts, cadence=cadence, closed=closed, now=now)
    ways = Ways(points=records.points, reachable=reachable, cadence=cadence, closed=closed)
    return Planned(
        course_id=records.course_id,
        number=number,
        look_at=look.look_at,
        differences=differences(
            look.steps, rows=records.rows, facts=records.facts, ways=ways, now=now
        ),
    )
