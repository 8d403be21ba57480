"""A login for the web processes that has their rights and none to take back.

Who signs in as the owner of the tables and gives its rights up can take them back by a statement
(`RESET ROLE`). This login is a member of the web's role (`FALLOW_APP_ROLE`) and of nothing else.
"""

from typing import Any

from django.conf import settings
from django.db import connection
from psycopg import sql

# More than the web's role gives, by itself or by another role that it is in.
_MORE = """
    SELECT rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR EXISTS (
        SELECT FROM pg_auth_members
        WHERE member = pg_roles.oid AND roleid <> to_regrole(%s)::oid
    ) OR EXISTS (SELECT FROM pg_class WHERE relowner = pg_roles.oid)
    FROM pg_roles WHERE rolname = %s
"""


class LoginHasMoreError(ValueError):
    """A login of that name may do more than web processes may."""


def web_login_give(*, name: str, password: str) -> None:
    """Make the login, or give the one that is there this password. Sends its digest only.

    Raises LoginHasMoreError, and django.db.DatabaseError for whoever may make no logins.
    """
    with connection.cursor() as cursor:
        cursor.execute(_MORE, [settings.FALLOW_APP_ROLE, name])
        found = cursor.fetchone()
        if found is not None and found[0]:
            raise LoginHasMoreError(f"{name} may do more than web processes may; name another.")
        digest = _digest(name=name, password=password)
        verb = "CREATE" if found is None else "ALTER"
        own, role = sql.Identifier(name), sql.Identifier(settings.FALLOW_APP_ROLE)
        statements = sql.SQL("{} ROLE {} LOGIN PASSWORD {}; GRANT {} TO {}").format(
            sql.SQL(verb), own, sql.Literal(digest), role, own
        )
        cursor.execute(statements)


def _digest(*, name: str, password: str) -> str:
    """What PostgreSQL keeps of a password (RFC 7677), so that it need not travel."""
    link: Any = connection.connection
    told: bytes = link.pgconn.encrypt_password(password.encode(), name.encode(), b"scram-sha-256")
    return told.decode()
