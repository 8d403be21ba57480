"""Databases of a size: made beside the one in DATABASE_URL, filled, handed out, removed."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
from psycopg import sql

ROOT = Path(__file__).resolve().parents[1]


@contextmanager
def sized_database(*, clinics: int, patients: int | None, keep: bool) -> Iterator[str]:
    """A database with a big invented chain; gives its URL. Without `keep` it is removed."""
    base = os.environ["DATABASE_URL"]
    name = f"{urlsplit(base).path.lstrip('/')}_{clinics}_clinics"
    url = urlunsplit(urlsplit(base)._replace(path=f"/{name}"))
    drop = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
    with psycopg.connect(base, autocommit=True) as server:
        server.execute(drop)
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    try:
        python(url, "manage.py", "migrate", "--verbosity", "0")
        size = ["--clinics", str(clinics)]
        python(
            url, "-m", "bench.chain", *size, *(["--patients", str(patients)] if patients else [])
        )
        yield url
    finally:
        if not keep:
            with psycopg.connect(base, autocommit=True) as server:
                server.execute(drop)


@contextmanager
def empty_database(suffix: str) -> Iterator[str]:
    """A migrated database without rows beside the one in DATABASE_URL; removed in the end."""
    base = os.environ["DATABASE_URL"]
    name = f"{urlsplit(base).path.lstrip('/')}_{suffix}"
    url = urlunsplit(urlsplit(base)._replace(path=f"/{name}"))
    drop = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
    with psycopg.connect(base, autocommit=True) as server:
        server.execute(drop)
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    try:
        python(url, "manage.py", "migrate", "--verbosity", "0")
        yield url
    finally:
        with psycopg.connect(base, autocommit=True) as server:
            server.execute(drop)


def python(url: str, *arguments: str) -> None:
    """Run Python in the project on that database."""
    settings = {"DJANGO_SETTINGS_MODULE": "config.settings.test", "DATABASE_URL": url}
    subprocess.run(  # noqa: S603
        [sys.executable, *arguments], cwd=ROOT, check=True, env={**os.environ, **settings}
    )
