"""A login that the web processes may be given (docs/operation.md): it has no rights to take back.

The owner of the tables gives its rights up when it connects, and a statement that somebody slips in
could take them back. This login is a member of the web's role and of nothing else.
"""

import secrets
from collections.abc import Iterator
from io import StringIO

import psycopg
import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import connection
from psycopg import sql

from tests.support.factories import make_staff

pytestmark = pytest.mark.django_db

NAME = "web_login_of_a_test"


@pytest.fixture
def administration() -> Iterator[psycopg.Connection]:
    """The owner of the tables, on a connection of its own."""
    with psycopg.connect(**_address(), **_owner(), autocommit=True) as link:
        link.execute(f"DROP ROLE IF EXISTS {NAME}")
        yield link
        link.execute(f"DROP ROLE IF EXISTS {NAME}")


@pytest.fixture
def as_documented(administration, monkeypatch) -> Iterator[psycopg.Connection]:
    """Connected by a login made as the page says, with the role that the web server asks for."""
    with signed_in(given(monkeypatch)) as link:
        yield link


def _address() -> dict[str, object]:
    told = connection.get_connection_params()
    return {name: told[name] for name in ("host", "port", "dbname") if name in told}


def _owner() -> dict[str, str]:
    told = connection.get_connection_params()
    return {"user": told["user"], "password": told.get("password", "")}


def given(monkeypatch) -> str:
    """The login, with a new password."""
    password = secrets.token_hex(16)
    monkeypatch.setenv("FALLOW_WEB_DATABASE_PASSWORD", password)
    call_command("web_login", name=NAME, stdout=StringIO())
    return password


def signed_in(password: str) -> psycopg.Connection:
    role = f"-c role={settings.FALLOW_APP_ROLE}"
    return psycopg.connect(
        **_address(), user=NAME, password=password, options=role, autocommit=True
    )


@pytest.mark.django_db(transaction=True)
def test_it_answers_for_one_chain_and_can_take_back_nothing(as_documented):
    make_staff()
    count = "SELECT count(*) FROM clinics_staffmember"
    assert as_documented.execute("SELECT count(*) > 0 FROM django_migrations").fetchone() == (True,)
    for statement in ("SET ROLE NONE", "RESET ROLE"):
        as_documented.execute(statement)
        assert as_documented.execute(count).fetchone() == (0,)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            as_documented.execute("DELETE FROM clinics_change")
    owner = sql.Identifier(connection.get_connection_params()["user"])
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_documented.execute(sql.SQL("SET ROLE {}").format(owner))


@pytest.mark.django_db(transaction=True)
def test_it_is_given_another_password_and_keeps_no_other(administration, monkeypatch):
    given(monkeypatch)
    again = given(monkeypatch)
    with signed_in(again) as link:
        assert link.execute("SELECT session_user, current_user").fetchone() == (
            NAME,
            settings.FALLOW_APP_ROLE,
        )
    kept = administration.execute(
        "SELECT rolpassword FROM pg_authid WHERE rolname = %s", [NAME]
    ).fetchone()
    assert kept[0].startswith("SCRAM-SHA-256$")


@pytest.mark.parametrize("more", ["CREATEDB", "BYPASSRLS"])
def test_one_that_may_do_more_is_refused(administration, monkeypatch, more):
    administration.execute(f"CREATE ROLE {NAME} {more}")
    with pytest.raises(CommandError, match="may do more"):
        given(monkeypatch)


def test_one_that_is_in_another_role_is_refused(administration, monkeypatch):
    owner = sql.Identifier(_owner()["user"])
    administration.execute(f"CREATE ROLE {NAME}")
    administration.execute(sql.SQL("GRANT {} TO {}").format(owner, sql.Identifier(NAME)))
    with pytest.raises(CommandError, match="may do more"):
        given(monkeypatch)


def test_without_a_password_nothing_is_made(administration, monkeypatch):
    monkeypatch.delenv("FALLOW_WEB_DATABASE_PASSWORD", raising=False)
    with pytest.raises(CommandError, match="FALLOW_WEB_DATABASE_PASSWORD"):
        call_command("web_login", name=NAME)
