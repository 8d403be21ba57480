"""Counters of pulses against the ledger, and readings in CSV files.

A pure package: no Django. Readings are in the counter's unit, sums in pulses.
"""

from devices.counters.layout import FIELDS, Layout, LayoutWrong
from devices.counters.marks import (
    PULSES_OF,
    CounterImpossible,
    Mark,
    Scale,
    check_mark,
    check_marks,
    pulses_between,
)
from devices.counters.reconciling import AGREEING, SpanFinding, judge, reconcile
from devices.counters.table import CellError, ReadRow, Table, read_table

__all__ = [
    "AGREEING",
    "FIELDS",
    "PULSES_OF",
    "CellError",
    "CounterImpossible",
    "Layout",
    "LayoutWrong",
    "Mark",
    "ReadRow",
    "Scale",
    "SpanFinding",
    "Table",
    "check_mark",
    "check_marks",
    "judge",
    "pulses_between",
    "read_table",
    "reconcile",
]
