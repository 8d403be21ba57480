"""Transactions: one outermost unit per command, short lock waits, ordered locks."""

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from functools import partial, wraps
from time import sleep
from typing import Any, Final, ParamSpec, TypeVar

from django.db import IntegrityError, OperationalError, connection, models, transaction
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from core.errors import Busy, DomainError
from core.models import Versioned
from core.request_id import current_request_id
from core.spans import Span

P = ParamSpec("P")
R = TypeVar("R")
M = TypeVar("M", bound=models.Model)

DEADLOCK: Final = "40P01"
SERIALIZATION_FAILURE: Final = "40001"
LOCK_TIMEOUT: Final = "55P03"

RETRIES: Final = 3
LOCK_WAIT_SECONDS: Final = 3
JITTER_SECONDS: Final = 0.05

_unit_open: ContextVar[bool] = ContextVar("unit_open", default=False)
_chain_id: ContextVar[int | None] = ContextVar("chain_id", default=None)
_author: ContextVar["Author | None"] = ContextVar("author", default=None)


@dataclass(frozen=True, slots=True)
class Author:
    """Who asked for what a unit writes, and why; noted beside each change (`core.history`)."""

    staff_id: int
    reason: str = ""


def unit(fn: Callable[[], R]) -> R:
    """Run `fn` in the one outermost transaction and give what it gives; join an open unit.

    Waits at most 3 s for a lock. A deadlock or serialization failure runs `fn` again from the
    start, up to 3 times, so `fn` must be fit to run again. Raises Busy when a lock did not come
    or the retries are spent, RuntimeError inside a transaction that is not a unit.
    """
    if _unit_open.get():
        return fn()
    for attempt in range(RETRIES + 1):
        try:
            return _once(fn)
        except OperationalError as error:
            state = sqlstate(error)
            if state not in {DEADLOCK, SERIALIZATION_FAILURE, LOCK_TIMEOUT}:
                raise
            if state == LOCK_TIMEOUT or attempt == RETRIES:
                raise Busy from error
            sleep(random.uniform(0, JITTER_SECONDS) * (attempt + 1))  # noqa: S311
    raise AssertionError("unreachable")


def _once(fn: Callable[[], R]) -> R:
    mark = _unit_open.set(True)
    try:
        with transaction.atomic(durable=True):
            _set_local(
                f"lock_timeout = '{LOCK_WAIT_SECONDS}s'", *_chain_setting(), *_author_settings()
            )
            return fn()
    finally:
        _unit_open.reset(mark)


@contextmanager
def within_chain(chain_id: int) -> Iterator[None]:
    """Whatever unit or reading is opened inside sees the rows of this chain only.

    For the role of the web processes; see `core.isolation`.
    """
    mark = _chain_id.set(chain_id)
    try:
        yield
    finally:
        _chain_id.reset(mark)


@contextmanager
def authored(author: Author) -> Iterator[None]:
    """What units inside change is noted as asked for by this author."""
    mark = _author.set(author)
    try:
        yield
    finally:
        _author.reset(mark)


@contextmanager
def reading() -> Iterator[None]:
    """Reads of a chain, in one transaction because its name lives as long as that.

    All that it writes is that there was a read, and nobody waits for the disk for that: a server
    that fails may lose the last moments of it.
    """
    with transaction.atomic():
        _set_local("synchronous_commit = off", *_chain_setting())
        yield


def carried_on(rows: Iterator[R]) -> Iterator[R]:
    """The same, each made in a reading of its own, of the chain that is at hand now.

    For an answer that is still being made when the method that began it is over.
    """
    chain_id = _chain_id.get()
    return rows if chain_id is None else _carried_on(rows, chain_id=chain_id)


def _carried_on(rows: Iterator[R], *, chain_id: int) -> Iterator[R]:
    while True:
        with within_chain(chain_id), reading():
            row = next(rows, None)
        if row is None:
            return
        yield row


def _chain_setting() -> list[str]:
    chain_id = _chain_id.get()
    return [] if chain_id is None else [f"fallow.chain = '{chain_id:d}'"]


def _author_settings() -> list[str]:
    author = _author.get()
    told = {"request": current_request_id()}
    if author is not None:
        told |= {"staff": str(author.staff_id), "reason": author.reason}
    return [f"fallow.{name} = {_literal(value)}" for name, value in told.items() if value]


def _literal(text: str) -> str:
    # Several statements at once take no parameters.
    return "'" + text.replace("\0", "").replace("'", "''") + "'"


def _set_local(*settings: str) -> None:
    if settings:
        with connection.cursor() as cursor:
            cursor.execute("; ".join(f"SET LOCAL {setting}" for setting in settings))


def command(fn: Callable[P, R]) -> Callable[P, R]:
    """Make a function a unit of its own: all of it is written, or nothing. See `unit`."""

    @wraps(fn)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        return unit(partial(fn, *args, **kwargs))

    return run


def step(fn: Callable[P, R]) -> Callable[P, R]:
    """Mark a function as part of a command: RuntimeError when no transaction is open."""

    @wraps(fn)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        if not connection.in_atomic_block:
            raise RuntimeError(f"{fn.__qualname__} runs inside a command only")
        return fn(*args, **kwargs)

    return run


@step
def lock_rows(queryset: "models.QuerySet[M]") -> list[M]:
    """Lock the rows of the queryset in the order of their keys and read them anew.

    One query. Sorting by key is what keeps two commands that want the same rows from a deadlock,
    so lock all rows of one table in one call. A row that carries a version and is saved as it was
    read here is not written.
    """
    rows = list(queryset.order_by("pk").select_for_update(of=("self",), no_key=True))
    for row in rows:
        if isinstance(row, Versioned):
            row.note_as_locked()
    return rows


@contextmanager
def constraint_as(**errors: DomainError | Callable[[], DomainError]) -> Iterator[None]:
    """Turn the violation of a named database constraint into a refusal of the domain.

    `constraint_as(hold_no_overlap=BenchTaken(bench=7))`; a function (or an error class) is
    called. Other violations pass. The transaction is spoilt either way: let the error rise.
    """
    try:
        yield
    except IntegrityError as violation:
        refusal = errors.get(constraint_name(violation))
        if refusal is None:
            raise
        raise (refusal if isinstance(refusal, DomainError) else refusal()) from violation


def constraint_name(error: IntegrityError) -> str:
    """Name of the constraint that the database says was broken, or an empty text."""
    diagnosis = getattr(error.__cause__, "diag", None)
    return getattr(diagnosis, "constraint_name", None) or ""


def sqlstate(error: BaseException) -> str:
    """The five-character code the database gave for the error, or an empty text."""
    return getattr(error.__cause__, "sqlstate", None) or ""


def as_range(span: Span) -> DateTimeTZRange:
    """The span as the value of a `DateTimeRangeField`."""
    return DateTimeTZRange(span.start, span.end, "[)")


def from_range(value: Any, *, open_until: datetime | None = None) -> Span:
    """A stored range as a span; `open_until` stands in for an end that is not set.

    Raises ValueError for an empty range and for one without a start or an end.
    """
    end = value.upper if value.upper is not None else open_until
    if value.lower is None or end is None:
        raise ValueError(f"not a bounded period: {value}")
    return Span(value.lower, end)
