"""Tasks in threads that start together, each on a connection of its own; rows others hold."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Barrier
from typing import Any

from django.db import connection

from core.errors import DomainError


def at_once(*tasks: Callable[[], Any]) -> list[Any]:
    """What each task gave, in order; for one that the domain refused, the refusal's code."""
    barrier = Barrier(len(tasks), timeout=20)

    def run(task: Callable[[], Any]) -> Any:
        barrier.wait()
        try:
            return task()
        except DomainError as refusal:
            return refusal.code
        finally:
            connection.close()

    with ThreadPoolExecutor(max_workers=len(tasks)) as pool:
        return [done.result(timeout=60) for done in [pool.submit(run, task) for task in tasks]]


@contextmanager
def held(table: str, *, key: int, column: str = "id") -> Iterator[None]:
    """Somebody else holds that row of the table meanwhile."""
    other = connection.copy()
    try:
        other.set_autocommit(False)
        with other.cursor() as cursor:
            cursor.execute(f"SELECT 1 FROM {table} WHERE {column} = %s FOR UPDATE", [key])
            assert cursor.fetchall()
            yield
    finally:
        other.rollback()
        other.close()
