"""The SQL of real bookings, as PostgreSQL logged it, sent again by pgbench: what cannot be less.

Each booking becomes a script that does the same on another day, so that it can be sent for ever.
"""

import os
import re
import subprocess
import time
from pathlib import Path

from tests.support.web import postgres_program

PREFIX = "~ours~"
FIRST_ID = 70_000_001
RECORD = re.compile(rf"^{PREFIX}(LOG|DETAIL): ", re.MULTILINE)
EXECUTED = re.compile(r"\s*(?:statement|execute [^:]+): (.*)", re.DOTALL)
PARAMETER = re.compile(r"\$(\d+) = (NULL|'(?:[^']|'')*')")
LITERAL = re.compile(r"E?'((?:[^'\\]|''|\\.)*)'")
COMMENT = re.compile(r"--[^\n]*")
INSTANT = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d(?:\.\d+)?\+\d\d(?::\d\d)?")
RANGE = re.compile(rf'\["?({INSTANT.pattern})"?,\s*"?({INSTANT.pattern})"?\)')
DAY = re.compile(r"\d{4}-\d\d-\d\d")
UUID = re.compile(r"[0-9a-f]{8}-?(?:[0-9a-f]{4}-?){3}[0-9a-f]{12}")
SHIFT = ":days::int * interval '1 day'"


class Log:
    """What PostgreSQL writes down of each statement while the block runs."""

    def __init__(self, own) -> None:
        self.own = own
        self._from = 0

    def __enter__(self):
        self._set(f"log_line_prefix = '{PREFIX}'", "log_statement = 'all'")
        return self

    def __exit__(self, *_):
        with self.own.connect() as connection:
            connection.execute("ALTER SYSTEM RESET ALL")
            connection.execute("SELECT pg_reload_conf()")

    def mark(self) -> None:
        """From here on."""
        self._from = self.own.postgres.log.stat().st_size

    def statements(self) -> list[str]:
        """What was executed since the mark, with the values in it."""
        with self.own.postgres.log.open(encoding="utf-8") as log:
            log.seek(self._from)
            parts = RECORD.split(log.read())[1:]
        found: list[str] = []
        for kind, text in zip(parts[::2], parts[1::2], strict=True):
            executed = EXECUTED.fullmatch(text.strip())
            if kind == "LOG" and executed:
                found.append(executed[1].strip())
            elif kind == "DETAIL" and found:
                found[-1] = _filled(found[-1], dict(PARAMETER.findall(text)))
        return found

    def _set(self, *settings: str) -> None:
        with self.own.connect() as connection:
            for setting in settings:
                connection.execute(f"ALTER SYSTEM SET {setting}")
            connection.execute("SELECT pg_reload_conf()")
        time.sleep(0.5)


def _filled(statement: str, values: dict[str, str]) -> str:
    return re.sub(r"\$(\d+)", lambda found: values[found[1]], statement)


def script(statements: list[str], *, appointment_id: int) -> str:
    """A pgbench script that makes the same booking on a day of its own."""
    lines = [r"\set days random(1, 20000000)"]
    for statement in statements:
        parts = statement.split("; ") if statement.startswith("SET LOCAL") else [statement]
        lines += [_line(part, appointment_id=str(appointment_id)) for part in parts]
    return "\n".join(lines) + "\n"


def _line(statement: str, *, appointment_id: str) -> str:
    if statement.startswith(("SET LOCAL", "fallow.")):
        # What names the chain, who asks and in which request: the same each time.
        return statement + ";"
    text = LITERAL.sub(_literal, " ".join(COMMENT.sub("", statement).split()))
    if "core_idempotencyrecord" in text and text.startswith("INSERT"):
        return text + r" \gset idem_"
    if "core_idempotencyrecord" in text and text.startswith("UPDATE"):
        return text.replace("gen_random_uuid()", ":idem_id") + ";"
    if text.startswith('INSERT INTO "courses_appointment" '):
        return text + r" \gset new_"
    text = re.sub(rf"(?<!\d){appointment_id}(?!\d)", ":new_id::bigint", text)
    return text + ";"


def _literal(found: re.Match[str]) -> str:
    escaped = found[0].startswith("E")
    value = found[1].replace("''", "'")
    if escaped:
        value = value.replace("\\\\", "\\").replace("\\'", "'")
    if value == f"appointment:{value.rpartition(':')[2]}":
        return r"('appointment' || E'\x3A' || " + value.rpartition(":")[2] + ")"
    if INSTANT.fullmatch(value):
        return f"({_quoted(value)}::timestamptz + {SHIFT})"
    if within := RANGE.fullmatch(value):
        ends = (f"{_quoted(end)}::timestamptz + {SHIFT}" for end in within.groups())
        return f"tstzrange({', '.join(ends)})"
    if DAY.fullmatch(value):
        return f"({_quoted(value)}::date + :days::int)"
    if UUID.fullmatch(value):
        return "gen_random_uuid()"
    return _quoted(value)


def _quoted(value: str) -> str:
    # A colon would look like a variable.
    escaped = value.replace("\\", "\\\\").replace("'", "''").replace(":", r"\x3A")
    return f"E'{escaped}'" if "\\" in escaped else f"'{escaped}'"


def send_again(
    own, scripts: list[str], *, folder: Path, clients: int, seconds: float, rate: float | None
) -> list[float]:
    """Let pgbench send the scripts in random order; how long each transaction took (s).

    With a `rate` (a second, all clients together) they arrive at random moments.
    """
    folder.mkdir()
    files = []
    for number, text in enumerate(scripts):
        path = folder / f"booking{number}.sql"
        path.write_text(text)
        files += ["-f", str(path)]
    options = "-c role=fallow_app -c timezone=UTC -c plan_cache_mode=force_generic_plan"
    command = [str(postgres_program("pgbench")), "-n", "-M", "prepared", "-c", str(clients)]
    command += ["-T", str(round(seconds)), "-l", f"--log-prefix={folder / 'log'}"]
    command += ["-R", f"{rate:.3f}"] if rate else []
    done = subprocess.run(  # noqa: S603
        [*command, *files, own.postgres.url],
        check=False,
        cwd=folder,
        env={**os.environ, "PGOPTIONS": options},
        capture_output=True,
        text=True,
    )
    if done.returncode or "aborted" in done.stderr:
        raise RuntimeError(done.stderr[-3000:])
    [log] = folder.glob("log*")
    took = [int(line.split()[2]) / 1e6 for line in log.read_text().splitlines()]
    # At first each connection plans each statement, as those of the service have by then.
    return took[len(took) // 4 :]
