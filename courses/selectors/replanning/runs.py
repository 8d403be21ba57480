"""Runs that wait for a worker, and the run that a re-plan proposes."""

from datetime import datetime

from django.db.models import Q, QuerySet

from courses.models import Replan, ReplanRow, ReplanRun
from courses.vocabulary import TaskStatus


def runs_to_solve(*, now: datetime, limit: int = 100) -> list[int]:
    """Runs that nobody has, or whose worker has not been heard of, the oldest first. One query."""
    due = ReplanRun.objects.filter(
        Q(status=TaskStatus.REQUESTED) | Q(lease_until__lte=now),
        status__in=[TaskStatus.REQUESTED, TaskStatus.IN_PROGRESS],
    )
    return list(due.order_by("pk").values_list("pk", flat=True)[:limit])


def proposed_rows(replan: Replan) -> QuerySet[ReplanRow]:
    """The rows of the newest run that proposed anything."""
    newest = replan.runs.filter(status=TaskStatus.COMPLETED).order_by("-number").values("pk")[:1]
    found: QuerySet[ReplanRow] = ReplanRow.objects.filter(run__in=newest).order_by("pk")
    return found
