"""Keyset arithmetic: where a page starts, said by the values of its neighbour's sort key."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from operator import attrgetter
from typing import Any
from uuid import UUID

from django.core.exceptions import ImproperlyConfigured
from django.db.models import BooleanField, F, Field, Func, QuerySet, Value
from django.db.models.sql.compiler import SQLCompiler

Plain = str | int | float | bool


class RowComparison(Func):
    """`(a, b) > (x, y)` in SQL: one row comparison, which one index on (a, b) answers."""

    output_field = BooleanField()

    def __init__(self, names: Sequence[str], values: Sequence[Value], operator: str) -> None:
        super().__init__(*map(F, names), *values)
        self.operator = operator

    def as_sql(
        self,
        compiler: SQLCompiler,
        connection: Any,
        *_: Any,
        **__: Any,
    ) -> tuple[str, tuple[Any, ...]]:
        compiled = [compiler.compile(part) for part in self.get_source_expressions()]
        parts = [sql for sql, _ in compiled]
        params = [param for _, held in compiled for param in held]
        half = len(parts) // 2
        left, right = ", ".join(parts[:half]), ", ".join(parts[half:])
        return f"({left}) {self.operator} ({right})", tuple(params)


@dataclass(frozen=True, slots=True)
class Keyset:
    """The unique order of a list: fields of the rows, all upwards or all downwards."""

    names: tuple[str, ...]
    descending: bool

    @classmethod
    def parse(cls, declared: Sequence[str]) -> "Keyset":
        """From `("starts_at", "id")` or `("-starts_at", "-id")`.

        Raises ImproperlyConfigured for a mixed order, which no row comparison can express.
        """
        downwards = {name.startswith("-") for name in declared}
        if len(downwards) != 1:
            raise ImproperlyConfigured(f"A keyset goes one way: {declared}")
        return cls(tuple(name.removeprefix("-") for name in declared), downwards.pop())

    def ordered(self, queryset: "QuerySet[Any]", *, backwards: bool) -> "QuerySet[Any]":
        """The rows in this order, or in the opposite one."""
        sign = "-" if self.descending != backwards else ""
        return queryset.order_by(*(f"{sign}{name}" for name in self.names))

    def beyond(
        self, queryset: "QuerySet[Any]", values: Sequence[Plain], *, backwards: bool
    ) -> "QuerySet[Any]":
        """The rows after (or before) the one with these values.

        Raises django.core.exceptions.ValidationError or ValueError for values that do not fit.
        """
        fields = fields_of(queryset, self.names)
        bound = [
            Value(field.to_python(value), output_field=field)
            for field, value in zip(fields, values, strict=True)
        ]
        operator = "<" if self.descending != backwards else ">"
        return queryset.filter(RowComparison(self.names, tuple(bound), operator))

    def values_of(self, row: Any) -> list[Plain]:
        """The row's values of the key, fit for JSON without a loss."""
        return [_plain(attrgetter(name.replace("__", "."))(row)) for name in self.names]


def fields_of(queryset: "QuerySet[Any]", names: Sequence[str]) -> "list[Field[Any, Any]]":
    """The fields behind the names of a key; annotations count too.

    Raises ImproperlyConfigured when one may be NULL or the last is not unique: rows would be
    left out or come twice.
    """
    fields = [_field(queryset, name) for name in names]
    nullable = [name for name, field in zip(names, fields, strict=True) if field.null]
    if nullable:
        raise ImproperlyConfigured(f"A keyset must not be NULL: {nullable}")
    if not fields[-1].unique:
        raise ImproperlyConfigured(f"A keyset ends with a unique field, not {names[-1]}")
    return fields


def _field(queryset: "QuerySet[Any]", name: str) -> "Field[Any, Any]":
    annotation = queryset.query.annotations.get(name)
    if annotation is not None:
        return annotation.output_field
    model = queryset.model
    *path, last = name.split("__")
    for part in path:
        model = model._meta.get_field(part).related_model  # noqa: SLF001
    field: Field[Any, Any] = model._meta.get_field(last)  # noqa: SLF001
    return field


def _plain(value: Any) -> Plain:
    if isinstance(value, date | datetime | time):
        return value.isoformat()  # keeps microseconds, which Django's JSON encoder cuts
    if isinstance(value, UUID | Decimal):
        return str(value)
    if isinstance(value, str | int | float):
        return value
    raise ImproperlyConfigured(f"A keyset cannot hold a {type(value).__name__}")
