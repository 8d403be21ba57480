"""Shifts: who works where. Taking one away must not strand a booked visit unseen."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from clinics import locks, selectors
from clinics.access import Actor
from clinics.errors import ShiftOverlaps, VisitsInTheWay
from clinics.models import Shift
from clinics.services.changes import changed
from core.db import command, constraint_as, from_range
from core.spans import Span, subtract


@command
def shift_create(*, fields: Mapping[str, Any], actor: Actor) -> Shift:
    """Let a member of staff work at a clinic. Raises NotAllowed, ShiftOverlaps."""
    shift = Shift(**fields)
    actor.require_at(shift.clinic_id, "shift.write")
    with constraint_as(shift_no_overlap=ShiftOverlaps):
        shift.save(force_insert=True)
    return shift


@command
def shift_change(
    *,
    pk: int,
    changes: Mapping[str, Any],
    expected_version: int | None,
    despite_visits: bool,
    actor: Actor,
    now: datetime,
) -> Shift:
    """Change when a shift is. Raises ShiftUnknown, NotAllowed, Stale, ShiftOverlaps.

    VisitsInTheWay, naming them, when visits booked with the person would lie outside the shift,
    unless `despite_visits`: somebody has seen them and will mend the diary.
    """
    shift = _locked(pk, expected_version=expected_version, actor=actor)
    before = from_range(shift.period)
    with constraint_as(shift_no_overlap=ShiftOverlaps):
        shift = changed(shift, changes)
    if not despite_visits:
        _refuse_stranded(shift, subtract([before], [from_range(shift.period)]), now=now)
    return shift


@command
def shift_remove(
    *,
    pk: int,
    expected_version: int | None,
    despite_visits: bool,
    actor: Actor,
    now: datetime,
) -> None:
    """Remove a shift. Raises ShiftUnknown, NotAllowed, Stale, VisitsInTheWay."""
    shift = _locked(pk, expected_version=expected_version, actor=actor)
    if not despite_visits:
        _refuse_stranded(shift, [from_range(shift.period)], now=now)
    shift.delete()


def _locked(pk: int, *, expected_version: int | None, actor: Actor) -> Shift:
    """The shift, and the person's resource, so that no visit is booked meanwhile."""
    shift = locks.lock_shift(pk=pk, actor=actor)
    actor.require_at(shift.clinic_id, "shift.write")
    shift.check_version(expected_version)
    locks.lock_resources([shift.staff_member.resource_id])
    return shift


def _refuse_stranded(shift: Shift, freed: Iterable[Span], *, now: datetime) -> None:
    visits = selectors.visits_ahead([shift.staff_member.resource_id], now=now)
    stranded = {
        source
        for span in freed
        for source in visits.overlapping(span).values_list("source", flat=True)
    }
    if stranded:
        raise VisitsInTheWay(sources=sorted(stranded))
