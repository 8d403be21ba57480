"""A login that the web processes may be given (docs/operation.md): it has no rights to take back.

The owner of the tables gives its rights up when it connects, and a statement that somebody slips in
could take them back. This login is a member of the web's role and of nothing else.
"""

import secrets
from collections.abc import Iterator

import psycopg
import pytest
from django.conf import settings
from django.db import connection
from psycopg import sql

from tests.support.factories import make_staff

pytestmark = pytest.mark.django_db

NAME = "web_login_of_a_test"


@pytest.fixture
def as_documented() -> Iterator[psycopg.Connection]:
    """Connected by a login made as the page says, with the role that the web server asks for."""
    told = connection.get_connection_params()
    address = {name: told[name] for name in ("host", "port", "dbname") if name in told}
    password = secrets.token_hex(16)
    owner = {"user": told["user"], "password": told.get("password", "")}
    with psycopg.connect(**address, **owner, autocommit=True) as administration:
        administration.execute(f"DROP ROLE IF EXISTS {NAME}")
        administration.execute(
            sql.SQL("CREATE ROLE {} LOGIN PASSWORD {} IN ROLE {}").format(
                sql.Identifier(NAME),
                sql.Literal(password),
                sql.Identifier(settings.FALLOW_APP_ROLE),
            )
        )
        try:
            with psycopg.connect(
                **address,
                user=NAME,
                password=password,
                options=f"-c role={settings.FALLOW_APP_ROLE}",
                autocommit=True,
            ) as link:
                yield link
        finally:
            administration.execute(f"DROP ROLE {NAME}")


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
