"""When a clinic is open: changes to it must not strand a booked visit unseen."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from django.db.models import Q

from clinics import locks, selectors
from clinics.access import Actor
from clinics.errors import HolidayOverrideTaken, OpeningRuleOverlaps, VisitsInTheWay
from clinics.hours.wall_time import MIDNIGHT
from clinics.models import Closure, HolidayOverride, OpeningRule
from core.db import command, constraint_as

HoursRow = OpeningRule | Closure | HolidayOverride


@command
def hours_create(
    *,
    kind: type[HoursRow],
    fields: Mapping[str, Any],
    despite_visits: bool,
    actor: Actor,
    now: datetime,
) -> HoursRow:
    """Add an opening rule, a closure or a decision about one date; `fields` name the clinic.

    VisitsInTheWay, naming them, when booked visits would lie outside opening hours because of
    it, unless `despite_visits`: somebody has seen them and will mend the diary. Raises
    ClinicUnknown, NotAllowed, OpeningRuleOverlaps, HolidayOverrideTaken.
    """
    row = kind(**fields)
    with _hours_of(row.clinic_id, despite_visits=despite_visits, actor=actor, now=now):
        _write(row)
    return row


@command
def hours_change(
    *,
    row: HoursRow,
    changes: Mapping[str, Any],
    expected_version: int | None,
    despite_visits: bool,
    actor: Actor,
    now: datetime,
) -> HoursRow:
    """Change such a row. Raises as `hours_create`, HoursUnknown and Stale."""
    with _hours_of(row.clinic_id, despite_visits=despite_visits, actor=actor, now=now):
        row = locks.lock_hours(type(row), pk=row.pk, actor=actor)
        row.check_version(expected_version)
        for name, value in changes.items():
            setattr(row, name, value)
        _write(row)
    return row


@command
def hours_remove(
    *,
    row: HoursRow,
    expected_version: int | None,
    despite_visits: bool,
    actor: Actor,
    now: datetime,
) -> None:
    """Remove such a row. Raises HoursUnknown, NotAllowed, Stale, VisitsInTheWay."""
    with _hours_of(row.clinic_id, despite_visits=despite_visits, actor=actor, now=now):
        row = locks.lock_hours(type(row), pk=row.pk, actor=actor)
        row.check_version(expected_version)
        row.delete()


@contextmanager
def _hours_of(
    clinic_id: int, *, despite_visits: bool, actor: Actor, now: datetime
) -> Iterator[None]:
    """Around a change of a clinic's hours: refuse it when it strands visits.

    The clinic's row is locked and so are its rooms, so that no visit is booked meanwhile.
    """
    clinic = locks.lock_clinic(pk=clinic_id, actor=actor)
    actor.require_at(clinic.pk, "organisation.write")
    locks.lock_resources(selectors.room_resources_of(clinic))
    before = set() if despite_visits else selectors.visits_outside_hours(clinic, now=now)
    yield
    if despite_visits:
        return
    if stranded := selectors.visits_outside_hours(clinic, now=now) - before:
        raise VisitsInTheWay(sources=sorted(stranded))


def _write(row: HoursRow) -> None:
    with constraint_as(holidayoverride_once_a_day=HolidayOverrideTaken):
        row.save()
    if isinstance(row, OpeningRule):
        _refuse_overlap(row)


def _refuse_overlap(rule: OpeningRule) -> None:
    """Two rules for the same hours would make it impossible to shorten them by changing one."""
    others = OpeningRule.objects.filter(
        clinic_id=rule.clinic_id,
        weekday=rule.weekday,
        valid_during__overlap=rule.valid_during,
    ).exclude(pk=rule.pk)
    others = others.filter(Q(closes__gt=rule.opens) | Q(closes=MIDNIGHT))
    if rule.closes != MIDNIGHT:
        others = others.filter(opens__lt=rule.closes)
    if found := sorted(others.values_list("pk", flat=True)):
        raise OpeningRuleOverlaps(opening_rules=found)
