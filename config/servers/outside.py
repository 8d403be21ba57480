"""Servers that somebody else runs, named by DATABASE_URL or REDIS_URL: can they serve us?"""

import psycopg
import redis

from config.servers.binaries import OLDEST_POSTGRES, OLDEST_REDIS
from config.servers.errors import ServerTrouble


def check_database(url: str) -> str:
    """Look at the database behind DATABASE_URL and return a name for a progress line.

    Raises ServerTrouble when it cannot be reached, is too old, or has no btree_gist.
    """
    try:
        with psycopg.connect(url, connect_timeout=5) as connection:
            version = connection.info.server_version // 10_000
            row = connection.execute(
                "SELECT 1 FROM pg_available_extensions WHERE name = 'btree_gist'"
            ).fetchone()
    except psycopg.Error as error:
        raise ServerTrouble(
            f"The database of DATABASE_URL cannot be reached: {_first_line(error)}",
            mend="Correct DATABASE_URL, or unset it to have a server started here.",
        ) from None
    if version < OLDEST_POSTGRES or row is None:
        raise ServerTrouble(
            f"The database of DATABASE_URL runs PostgreSQL {version}"
            f"{'' if row else ' without the btree_gist extension'}.",
            mend=f"Use PostgreSQL {OLDEST_POSTGRES} or newer with its contrib extensions.",
        )
    return f"PostgreSQL {version} (from DATABASE_URL)"


def check_redis(url: str) -> str:
    """Look at the server behind REDIS_URL and return a name for a progress line.

    Raises ServerTrouble when it cannot be reached or is too old.
    """
    try:
        client = redis.Redis.from_url(url, socket_timeout=5, socket_connect_timeout=5)
        version = str(client.info("server")["redis_version"])
        client.close()
    except (redis.RedisError, ValueError) as error:
        raise ServerTrouble(
            f"The server of REDIS_URL cannot be reached: {_first_line(error)}",
            mend="Correct REDIS_URL, or unset it to have a server started here.",
        ) from None
    if tuple(int(part) for part in version.split(".")[:2]) < OLDEST_REDIS:
        raise ServerTrouble(
            f"The server of REDIS_URL speaks as Redis {version}.",
            mend=f"Use {OLDEST_REDIS[0]}.{OLDEST_REDIS[1]} or newer.",
        )
    return f"Redis-compatible {version} (from REDIS_URL)"


def _first_line(error: Exception) -> str:
    return next(iter(str(error).strip().splitlines()), type(error).__name__)
