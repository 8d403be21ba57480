"""What the planner would say of one recall now: whether its step stands, and what follows it."""

from datetime import datetime
from typing import Any

from courses.models import Recall
from courses.selectors.recalls.closed_days import ClosedDaysOfClinics
from courses.selectors.recalls.facts import CourseRecords, course_records
from courses.selectors.recalls.policies import cadence_in_force
from courses.timing import WantedStep, outlook
from courses.timing.differences import standing_steps, stopped_by
from courses.timing.outlook import to_come
from courses.timing.withdrawn import covered_by, why_unwanted
from courses.vocabulary import RecallKind


def step_stands(recall: Recall, *, now: datetime) -> bool:
    """Whether the step is to be told still: no later one has taken its place, nobody stopped it.

    As many queries as the plan of one course.
    """
    records = _records(recall, now=now)
    if recall.kind == RecallKind.CHANGE:
        stopped = stopped_by(records.rows)
        rows = [row for row in records.rows if row.id == recall.pk]
        return all(
            why_unwanted(row, facts=records.facts, stopped=stopped, now=now) is None for row in rows
        )
    steps = standing_steps(outlook(records.facts, **_by(records, now=now)).steps, rows=records.rows)
    return (recall.occasion, recall.kind, recall.step) in {step.key for step in steps}


def cadence_goes_on(recall: Recall, *, now: datetime) -> bool:
    """Whether a step about the same thing stands or is to come, however far ahead.

    As many queries as the plan of one course.
    """
    records = _records(recall, now=now)
    steps = standing_steps(to_come(records.facts, **_by(records, now=now)), rows=records.rows)
    return any(_about_the_same(step, recall) for step in steps)


def _about_the_same(step: WantedStep, recall: Recall) -> bool:
    same = covered_by(step.occasion) == covered_by(recall.occasion)
    return same and step.step.kind == recall.kind


def _records(recall: Recall, *, now: datetime) -> CourseRecords:
    [records] = course_records([recall.course_id], now=now)
    return records


def _by(records: CourseRecords, *, now: datetime) -> dict[str, Any]:
    return {
        "cadence": cadence_in_force(records.chain_id),
        "closed": ClosedDaysOfClinics(now=now),
        "now": now,
    }
