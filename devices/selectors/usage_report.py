"""What was fired, grouped as asked; one statement, which adds up to the ledger however grouped."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import (
    Count,
    DateField,
    DateTimeField,
    F,
    Func,
    Q,
    Sum,
)
from django.db.models.functions import Cast, Coalesce, TruncMonth, TruncWeek

from clinics.querysets import HasChain
from core.errors import Refused
from core.spans import Span
from devices.models import PulseEntry
from devices.vocabulary import UsageGroup

MOST_ROWS: Final = 50_000


class ReportTooLarge(Refused):
    """The report has more rows than are given at once: a shorter period, or fewer groups."""

    code = "report_too_large"
    title = "The report has too many rows"


@dataclass(frozen=True, slots=True)
class UsageQuestion:
    """What is asked: `only` narrows to clinic, laser, handpiece, line or operator."""

    span: Span
    groups: tuple[UsageGroup, ...]
    only: dict[str, int]


@dataclass(frozen=True, slots=True)
class UsageRow:
    """One group: its values by the names of `columns_of`, its pulses and firings."""

    values: dict[str, Any]
    pulses: int
    entries: int


def _local_day() -> Any:
    wall = Func(
        F("laser__clinic__time_zone"),
        F("fired_at"),
        function="timezone",
        output_field=DateTimeField(),
    )
    return Cast(wall, DateField())


OPERATOR: Final = Coalesce("corrects__operator_id", "operator_id")
COLUMNS: Final[dict[UsageGroup, dict[str, Any]]] = {
    UsageGroup.CLINIC: {
        "clinic": F("laser__clinic_id"),
        "clinic_name": F("laser__clinic__name"),
    },
    UsageGroup.LASER: {
        "laser": F("laser_id"),
        "laser_serial": F("laser__serial"),
        "laser_label": F("laser__label"),
    },
    UsageGroup.HANDPIECE: {
        "handpiece": F("handpiece_id"),
        "handpiece_serial": F("handpiece__serial"),
    },
    UsageGroup.LINE: {"line": F("line_id"), "wavelength_nm": F("line__wavelength_nm")},
    UsageGroup.OPERATOR: {
        "operator": OPERATOR,
        "operator_name": Coalesce("corrects__operator__name", "operator__name"),
    },
    UsageGroup.PURPOSE: {"purpose": Coalesce("corrects__purpose", "purpose")},
    UsageGroup.DAY: {"day": _local_day()},
    UsageGroup.WEEK: {"week_from": TruncWeek(_local_day(), output_field=DateField())},
    UsageGroup.MONTH: {"month_from": TruncMonth(_local_day(), output_field=DateField())},
}


def columns_of(groups: Sequence[UsageGroup]) -> list[str]:
    """The names of the values in each row, in the order of the groups."""
    return [name for group in groups for name in COLUMNS[group]]


def usage_report(question: UsageQuestion, *, actor: HasChain) -> list[UsageRow]:
    """Pulses within the span by group, corrections where their entry counts. One query.

    A clinic is where the laser stands now; days are the clinic's own. Raises ReportTooLarge.
    """
    names = columns_of(question.groups)
    rows = PulseEntry.objects.visible_to(actor).filter(
        fired_at__gte=question.span.start, fired_at__lt=question.span.end
    )
    narrowed = {**question.only}
    if "operator" in narrowed:
        wanted = narrowed.pop("operator")
        rows = rows.annotate(who=OPERATOR).filter(who=wanted)
    if "clinic" in narrowed:
        rows = rows.filter(laser__clinic_id=narrowed.pop("clinic"))
    rows = rows.filter(**{f"{name}_id": pk for name, pk in narrowed.items()})
    keys = {f"g_{name}": made for one in question.groups for name, made in COLUMNS[one].items()}
    totals: dict[str, Any] = {
        "sum_pulses": Sum("pulses"),
        "firings": Count("pk", filter=Q(corrects__isnull=True)),
    }
    if not keys:
        found = rows.aggregate(**totals)
        return [UsageRow({}, int(found["sum_pulses"] or 0), found["firings"])]
    grouped = rows.order_by().annotate(**keys).values(*keys).annotate(**totals).order_by(*keys)
    held = list(grouped[: MOST_ROWS + 1])
    if len(held) > MOST_ROWS:
        raise ReportTooLarge(f"At most {MOST_ROWS} rows.", most=MOST_ROWS)
    return [
        UsageRow({name: row[f"g_{name}"] for name in names}, int(row["sum_pulses"]), row["firings"])
        for row in held
    ]
