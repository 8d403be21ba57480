"""Requests of tests are answered behind the same wall as those of the web processes.

What a test prepares and looks at, it does as the owner of the tables; only while a request is
answered does the connection take on the role that sees one chain at a time.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
from django.conf import settings
from django.db import connection
from django.test import Client


def answer_behind_the_wall(patch: Any) -> None:
    """Let every request of a test client be answered as by a web process."""
    answer = Client.request

    def request(client: Client, **environ: Any) -> Any:
        with as_web_process():
            return answer(client, **environ)

    patch.setattr(Client, "request", request)


@contextmanager
def as_web_process() -> Iterator[None]:
    """The connection of this thread has the role of the web processes."""
    if connection.connection is None:
        yield
        return
    _say(f"SET ROLE {settings.FALLOW_APP_ROLE}")
    try:
        yield
    finally:
        _say("RESET ROLE")


def _say(statement: str) -> None:
    # Past Django, so that it is not counted among the queries of the request.
    try:
        if connection.connection is not None:
            connection.connection.execute(statement)
    except (psycopg.errors.InFailedSqlTransaction, psycopg.OperationalError):
        # What spoilt the transaction is about to be told, and its end resets the role.
        pass
