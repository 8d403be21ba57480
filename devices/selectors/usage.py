"""What was fired, from the ledger alone; a fixed number of queries each."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple, TypeVar
from zoneinfo import ZoneInfo

from django.db.models import Count, Min, Q, Sum
from django.db.models.functions import Coalesce, TruncDate

from clinics.hours import local_date
from core.spans import Span
from devices.forecast import whole_months
from devices.models import Handpiece, Laser, PulseEntry

Key = TypeVar("Key", int, str, date)


@dataclass(frozen=True, slots=True)
class Tally:
    """Pulses and the number of firings behind them; corrections change pulses only."""

    pulses: int
    entries: int


@dataclass(frozen=True, slots=True)
class Usage:
    """What a laser fired in a span: the whole, and the same pulses split five ways.

    A correction counts where the entry that it corrects counts, so each split adds up to the
    whole. Days are local dates of the clinic. `lines`, `handpieces` and `operators` name the ids.
    """

    total: Tally
    by_line: dict[int, Tally]
    by_handpiece: dict[int, Tally]
    by_purpose: dict[str, Tally]
    by_operator: dict[int, Tally]
    by_day: dict[date, Tally]
    lines: dict[int, int]
    handpieces: dict[int, str]
    operators: dict[int, str]


@dataclass(frozen=True, slots=True)
class Life:
    """How far a handpiece is through its rated life, in pulses and whole months.

    `left` may be negative; `months` count from its first fitting, None: it was never fitted.
    """

    counter_at_start: int
    logged: int
    rated: int | None
    since: datetime | None
    months: int | None
    rated_months: int | None

    @property
    def so_far(self) -> int:
        """Pulses on its counter, as the ledger has it."""
        return self.counter_at_start + self.logged

    @property
    def left(self) -> int | None:
        """Pulses until the rated life is reached; None when no life is rated."""
        return None if self.rated is None else self.rated - self.so_far

    @property
    def used_share(self) -> float | None:
        """The part of the rated life that is used, 0 to 1 and beyond; None without one.

        By pulses or by months, whichever is the larger.
        """
        sides = ((self.so_far, self.rated), (self.months, self.rated_months))
        shares = [done / rated for done, rated in sides if done is not None and rated]
        return max(shares, default=None)


class _Cell(NamedTuple):
    line: int
    wavelength_nm: int
    handpiece: int
    serial: str
    purpose: str
    operator: int
    operator_name: str
    day: date
    pulses: int
    entries: int

    @property
    def tally(self) -> Tally:
        return Tally(int(self.pulses), self.entries)


def pulses_after_corrections(entry: PulseEntry) -> int:
    """Pulses of an entry with all its corrections."""
    total = PulseEntry.objects.filter(Q(pk=entry.pk) | Q(corrects=entry)).aggregate(
        pulses=Sum("pulses")
    )
    return int(total["pulses"] or 0)


def handpiece_life(handpiece: Handpiece, *, now: datetime) -> Life:
    """Pulses so far from the ledger, whole months since the first fitting. Two queries.

    Months by the calendar of UTC.
    """
    logged = handpiece.pulse_entries.aggregate(pulses=Sum("pulses"))["pulses"] or 0
    since = handpiece.fittings.aggregate(since=Min("period__startswith"))["since"]
    zone = ZoneInfo("UTC")
    months = since and max(0, whole_months(local_date(since, zone), local_date(now, zone)))
    return Life(
        counter_at_start=handpiece.counter_at_start,
        logged=int(logged),
        rated=handpiece.rated_life_pulses,
        since=since,
        months=months,
        rated_months=handpiece.rated_life_months,
    )


def laser_usage(laser: Laser, *, span: Span, zone: ZoneInfo) -> Usage:
    """What the laser fired within the span, from the ledger alone. One query."""
    cells = _usage_cells(laser, span=span, zone=zone)
    return Usage(
        total=_sum(cell.tally for cell in cells),
        by_line=_split(cells, lambda cell: cell.line),
        by_handpiece=_split(cells, lambda cell: cell.handpiece),
        by_purpose=_split(cells, lambda cell: cell.purpose),
        by_operator=_split(cells, lambda cell: cell.operator),
        by_day=_split(cells, lambda cell: cell.day),
        lines={cell.line: cell.wavelength_nm for cell in cells},
        handpieces={cell.handpiece: cell.serial for cell in cells},
        operators={cell.operator: cell.operator_name for cell in cells},
    )


def _usage_cells(laser: Laser, *, span: Span, zone: ZoneInfo) -> list[_Cell]:
    rows = (
        PulseEntry.objects.filter(laser=laser, fired_at__gte=span.start, fired_at__lt=span.end)
        .order_by()
        .annotate(
            for_purpose=Coalesce("corrects__purpose", "purpose"),
            by_operator=Coalesce("corrects__operator_id", "operator_id"),
            by_name=Coalesce("corrects__operator__name", "operator__name"),
            day=TruncDate("fired_at", tzinfo=zone),
        )
        .values_list(
            "line_id",
            "line__wavelength_nm",
            "handpiece_id",
            "handpiece__serial",
            "for_purpose",
            "by_operator",
            "by_name",
            "day",
        )
        .annotate(sum=Sum("pulses"), firings=Count("pk", filter=Q(corrects__isnull=True)))
    )
    return [_Cell(*row) for row in rows]


def _sum(tallies: Iterable[Tally]) -> Tally:
    pulses = entries = 0
    for tally in tallies:
        pulses += tally.pulses
        entries += tally.entries
    return Tally(pulses, entries)


def _split(cells: list[_Cell], key: Callable[[_Cell], Key]) -> dict[Key, Tally]:
    groups: dict[Key, list[Tally]] = defaultdict(list)
    for cell in cells:
        groups[key(cell)].append(cell.tally)
    return {name: _sum(groups[name]) for name in sorted(groups)}
