"""Readings from a chain's own CSV files: all of a file, or nothing of it."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from clinics.access import Actor
from core.db import command, constraint_as, step
from core.errors import DomainError
from devices import locks
from devices.counters import CellError, Layout, LayoutWrong, ReadRow, read_table
from devices.errors.counters import (
    ImportRefused,
    ImportRepeated,
    LayoutMalformed,
    LayoutTaken,
    LayoutUnknown,
    ReadingTaken,
)
from devices.models import Counter, CounterImport, CounterLayout, CounterReading, Installation
from devices.services.clock import CLOCKS_DIFFER
from devices.services.counters import clinic_of, refusals
from devices.vocabulary import CounterKind, CounterStep

MOST_BYTES: Final = 1_500_000
MOST_ERRORS: Final = 200

Key = tuple[CounterKind, str, str]


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What a file has: its rows, the readings that would be stored, what is wrong, what was made.

    `stored` is None after a dry run. `errors` has the first 200 of `error_count`.
    """

    rows: int
    readings: int
    error_count: int
    errors: tuple[CellError, ...]
    stored: CounterImport | None


def layout_of(row: CounterLayout) -> Layout:
    """The stored layout as the pure package takes it. Raises LayoutMalformed."""
    layout = Layout(
        columns=row.columns,
        fixed=row.fixed,
        delimiter=row.delimiter,
        encoding=row.encoding,
        time_format=row.time_format,
    )
    try:
        layout.check()
    except LayoutWrong as wrong:
        raise LayoutMalformed(wrong.message, field=wrong.field) from wrong
    return layout


@command
def layout_create(*, fields: Mapping[str, Any], actor: Actor) -> CounterLayout:
    """A layout of the chain's own files. Raises NotAllowed, LayoutMalformed, LayoutTaken."""
    actor.require("counter_layout.write")
    layout = CounterLayout(chain_id=actor.chain_id, **fields)
    layout_of(layout)
    with constraint_as(counterlayout_name_once_per_chain=LayoutTaken(name=layout.name)):
        layout.save(force_insert=True)
    return layout


@command
def layout_change(
    *, pk: int, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> CounterLayout:
    """Change a layout. Raises LayoutUnknown, NotAllowed, Stale, LayoutMalformed, LayoutTaken."""
    layout = locks.lock_counter_layout(pk=pk, actor=actor)
    actor.require("counter_layout.write")
    layout.check_version(expected_version)
    for name, value in changes.items():
        setattr(layout, name, value)
    layout_of(layout)
    with constraint_as(counterlayout_name_once_per_chain=LayoutTaken(name=layout.name)):
        layout.save()
    return layout


@command
def counters_import(
    *, layout_id: int, raw: bytes, dry_run: bool, actor: Actor, now: datetime
) -> ImportReport:
    """Read a file of readings and store all of it, or nothing.

    A dry run stores nothing and reports what is wrong. Raises LayoutUnknown, NotAllowed,
    LayoutMalformed, ImportRepeated, and ImportRefused with each wrong row (the heading is row 1).
    """
    layout_row = CounterLayout.objects.visible_to(actor).filter(pk=layout_id).first()
    if layout_row is None:
        raise LayoutUnknown(layout=layout_id)
    actor.require("counter_import.write")
    layout = layout_of(layout_row)
    digest = hashlib.sha256(raw).hexdigest()
    for pk in CounterImport.objects.visible_to(actor).filter(digest=digest).values_list("pk"):
        raise ImportRepeated(counter_import=pk[0])
    table = read_table(raw, layout=layout)
    drafts = _Drafts(layout, actor=actor, now=now)
    drafts.read(table.rows)
    errors = tuple(sorted((*table.errors, *drafts.errors), key=lambda one: (one.row, one.column)))
    report = ImportReport(
        table.seen, len(drafts.readings), len(errors), errors[:MOST_ERRORS], stored=None
    )
    if dry_run:
        return report
    if errors:
        raise _refused(report)
    stored = _store(layout_row, drafts.readings, digest=digest, actor=actor, now=now)
    return ImportReport(report.rows, report.readings, 0, (), stored)


@step
def _store(
    layout: CounterLayout,
    readings: Sequence[CounterReading],
    *,
    digest: str,
    actor: Actor,
    now: datetime,
) -> CounterImport:
    stored = CounterImport(
        chain_id=actor.chain_id,
        layout=layout,
        digest=digest,
        rows=len(readings),
        imported_at=now,
        imported_by_id=actor.staff_id,
    )
    with constraint_as(counterimport_file_once=ImportRepeated):
        stored.save(force_insert=True)
    for reading in readings:
        reading.source = f"counter_import:{stored.pk}"
    with constraint_as(counterreading_once_at_a_time=ReadingTaken):
        CounterReading.objects.bulk_create(readings, batch_size=2_000)
    return stored


class _Wrong(Exception):
    """A cell of a row cannot be taken: of which field, and why."""

    def __init__(self, name: str, code: str, detail: str) -> None:
        super().__init__(detail)
        self.name = name
        self.code = code
        self.detail = detail


class _Drafts:
    """The readings that a file's rows stand for, and what is wrong with the others.

    A fixed number of queries for any number of rows. Locks the counters.
    """

    def __init__(self, layout: Layout, *, actor: Actor, now: datetime) -> None:
        self.layout = layout
        self.actor = actor
        self.now = now
        self.readings: list[CounterReading] = []
        self.errors: list[CellError] = []
        self._rows: list[ReadRow] = []

    def read(self, rows: Sequence[ReadRow]) -> None:
        """Find counters, instants and part records, and refuse what cannot stand."""
        counters = self._counters({row.serial for row in rows})
        parts = _installations({row.part_serial for row in rows} - {""}, actor=self.actor)
        seen: set[tuple[int, datetime]] = set()
        for row in rows:
            try:
                counter = self._counter(row, counters)
                read_at = self._instant(row, counter)
                if (counter.pk, read_at) in seen:
                    raise _Wrong("read_at", "twice", "The file has this counter twice then.")
            except _Wrong as wrong:
                self._note(row, wrong)
                continue
            seen.add((counter.pk, read_at))
            self._draft(row, counter, read_at, parts)
        self._refuse_impossible({one.counter_id: one.counter for one in self.readings})

    def _counters(self, serials: set[str]) -> dict[Key, list[Counter]]:
        rows = Counter.objects.visible_to(self.actor).filter(active=True)
        wanted = rows.filter(laser__serial__in=serials) | rows.filter(handpiece__serial__in=serials)
        ids = [*wanted.values_list("pk", flat=True)]
        found: dict[Key, list[Counter]] = defaultdict(list)
        for counter in locks.lock_counters(ids, actor=self.actor):
            device = counter.laser or counter.handpiece
            serial = device.serial if device is not None else ""
            found[CounterKind(counter.kind), serial, counter.name].append(counter)
        return found

    def _counter(self, row: ReadRow, counters: Mapping[Key, Sequence[Counter]]) -> Counter:
        found = counters.get((row.counter_kind, row.serial, row.counter_name), ())
        if len(found) != 1:
            code = "ambiguous" if found else "unknown"
            said = "More than one device has" if found else "No device in use has"
            detail = f"{said} this serial and a {row.counter_kind} counter of that name."
            raise _Wrong("serial", code, detail)
        [counter] = found
        if not self.actor.may("counter_import.row", clinic_id=clinic_of(counter)):
            raise _Wrong("serial", "not_allowed", "Not at the clinic of this device.")
        if row.unit != counter.unit:
            raise _Wrong("unit", "unit_differs", f"The counter shows {counter.unit}.")
        return counter

    def _instant(self, row: ReadRow, counter: Counter) -> datetime:
        read_at = row.read_at
        if read_at.tzinfo is None:
            zone = _zone_of(counter)
            early, late = (read_at.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
            if early.utcoffset() != late.utcoffset():
                detail = f"The clocks of {zone.key} change then; give the offset from UTC too."
                raise _Wrong("read_at", "clock_change", detail)
            read_at = early
        read_at = read_at.astimezone(UTC)
        if read_at > self.now + CLOCKS_DIFFER:
            raise _Wrong("read_at", "in_the_future", "This is still to come.")
        return read_at

    def _draft(
        self,
        row: ReadRow,
        counter: Counter,
        read_at: datetime,
        parts: Mapping[str, Sequence[Installation]],
    ) -> None:
        stay = None
        if row.step == CounterStep.REPLACED:
            stays = [
                one
                for one in parts.get(row.part_serial, ())
                if (one.laser_id, one.handpiece_id) == (counter.laser_id, counter.handpiece_id)
                and one.period.lower <= read_at
            ]
            stay = stays[-1] if stays else None
        self._rows.append(row)
        self.readings.append(
            CounterReading(
                counter=counter,
                read_at=read_at,
                value=row.value,
                step=row.step,
                first_value=row.first_value if row.step == CounterStep.REPLACED else 0,
                installation=stay,
                occasion=row.occasion,
                read_by_id=self.actor.staff_id,
                note=row.note,
            )
        )

    def _refuse_impossible(self, counters: Mapping[int, Counter]) -> None:
        if not self.readings:
            return
        there = CounterReading.objects.filter(
            counter__in=counters,
            corrects__isnull=True,
            read_at__in={one.read_at for one in self.readings},
        )
        taken = {*there.values_list("counter_id", "read_at")}
        for row, reading in zip(self._rows, self.readings, strict=True):
            if (reading.counter_id, reading.read_at) in taken:
                self._note(row, _Wrong("read_at", "taken", ReadingTaken.title))
        for place, refusal in refusals(self.readings, counters=counters).items():
            row = self._rows[place]
            code = refusal.code if isinstance(refusal, DomainError) else "refused"
            name = "step" if self.readings[place].installation is None and "part" in code else ""
            self._note(row, _Wrong(name or "value", code, str(refusal)))

    def _note(self, row: ReadRow, wrong: _Wrong) -> None:
        column = self.layout.columns.get(wrong.name, wrong.name)
        self.errors.append(CellError(row.row, column, wrong.code, wrong.detail))


def _zone_of(counter: Counter) -> ZoneInfo:
    device: Any = counter.laser or counter.handpiece
    clinic = device.clinic if counter.laser_id is not None else device.resource.clinic
    return ZoneInfo(clinic.time_zone if clinic is not None else "UTC")


def _installations(serials: Iterable[str], *, actor: Actor) -> dict[str, list[Installation]]:
    rows = Installation.objects.filter(
        part__chain=actor.chain_id, part__serial__in=[*serials]
    ).select_related("part")
    found: dict[str, list[Installation]] = defaultdict(list)
    for stay in rows.order_by("period"):
        found[stay.part.serial].append(stay)
    return found


def _refused(report: ImportReport) -> ImportRefused:
    return ImportRefused(
        f"{report.error_count} errors in {report.rows} rows.",
        row_count=report.rows,
        error_count=report.error_count,
        rows=[
            {"row": one.row, "column": one.column, "code": one.code, "detail": one.detail}
            for one in report.errors
        ],
    )
