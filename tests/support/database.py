"""The test database, for programs that tests start."""

from urllib.parse import quote

from django.db import connection


def database_url() -> str:
    """Where the database of this test is, as DATABASE_URL has it."""
    at = connection.settings_dict
    user = quote(at["USER"]) + (f":{quote(at['PASSWORD'])}" if at["PASSWORD"] else "")
    return (
        f"postgres://{user}@{quote(at['HOST'], safe='')}:{at['PORT'] or 5432}/{quote(at['NAME'])}"
    )
