"""Planning recalls: what it costs, with 5 000 courses to look at among 100 000 and 1 000 000.

Run: python -m bench.recall_planning [--courses 100000 1000000] [--due 5000] [--plan]
Needs DATABASE_URL of a superuser; works in a database of its own beside it, which it removes.
Rows are made by the database from a series, the same for the same size; triggers and foreign keys
are off meanwhile (they are right by construction, and only what planning reads is filled in).

Every course has a patient with an e-mail address, a tattoo, a session, a healing window and one
message of the past; a quarter has a visit booked. `look` is the time of the first statement, which
finds and locks the plans that are due; `plan` of all of it, beside the processor time of planner
and database together (which a busy machine does not stretch); `again` of a second look at the same
courses, which writes nothing; `one` of a course planned by itself, as after a change.
"""

import argparse
import os
import statistics
import time
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import django

from bench.chain.copying import fields_of, table_of
from bench.sized import empty_database
from core.secrets_at_rest import encrypt

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
COLUMNS = "{:>10}{:>8}{:>10}{:>10}{:>8}{:>10}{:>11}{:>11}{:>9}{:>10}{:>10}"
HEADINGS = (
    "courses",
    "due",
    "look ms",
    "plan s",
    "CPU s",
    "again s",
    "recalls",
    "messages",
    "one ms",
    "buffers",
    "filled s",
)
SINGLE = 200


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--courses", type=int, nargs="+", default=[100_000, 1_000_000])
    parser.add_argument("--due", type=int, default=5_000)
    parser.add_argument("--plan", action="store_true", help="Show the plan of the first statement")
    asked = parser.parse_args()
    print(COLUMNS.format(*HEADINGS), flush=True)
    for courses in asked.courses:
        with empty_database(f"planning_{courses}") as url:
            pid = os.fork()
            if pid == 0:
                os.environ["DATABASE_URL"] = url
                os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings.test"
                django.setup()
                measure(courses, due=asked.due, show_plan=asked.plan)
                os._exit(0)
            if os.waitpid(pid, 0)[1]:
                raise SystemExit("It failed.")


def measure(courses: int, *, due: int, show_plan: bool) -> None:
    from courses.models import Message, Recall
    from courses.services.recalls.planner import plan_courses, recalls_plan

    began = time.perf_counter()
    fill(courses, due=due)
    filled = time.perf_counter() - began
    lines, look_ms, buffers = explain(due)
    before = Recall.objects.count(), Message.objects.count()
    recalls_plan(now=NOW - timedelta(days=1))  # nothing is due: connections and caches are warm
    with clock() as planned:
        done = recalls_plan(now=NOW)
    if done != due:
        raise SystemExit(f"looked at {done} of {due}")
    after = Recall.objects.count(), Message.objects.count()
    touch(due)
    with clock() as again:
        recalls_plan(now=NOW)
    if (Recall.objects.count(), Message.objects.count()) != after:
        raise SystemExit("planning again wrote something")
    single = []
    for course in range(1, SINGLE + 1):
        with clock() as one:
            plan_courses(courses=[course], now=NOW)
        single.append(one.seconds)
    print(
        COLUMNS.format(
            courses,
            due,
            f"{look_ms:.0f}",
            f"{planned.seconds:.2f}",
            f"{planned.cpu:.2f}",
            f"{again.seconds:.2f}",
            after[0] - before[0],
            after[1] - before[1],
            f"{1000 * statistics.median(single):.1f}",
            buffers,
            f"{filled:.0f}",
        ),
        flush=True,
    )
    if show_plan:
        print("\n".join(f"    {line}" for line in lines), flush=True)


class Clock:
    seconds = 0.0
    cpu = 0.0


@contextmanager
def clock():
    read, began, busy = Clock(), time.perf_counter(), processor_time()
    yield read
    read.seconds = time.perf_counter() - began
    read.cpu = processor_time() - busy


def processor_time() -> float:
    """Of this process and of the one in the database that serves it, where that is near (s)."""
    from django.db import connection

    connection.ensure_connection()
    stat = Path(f"/proc/{connection.connection.info.backend_pid}/stat")
    theirs = 0.0
    if stat.exists():
        user, system = stat.read_text().rpartition(")")[2].split()[11:13]
        theirs = (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")
    return time.process_time() + theirs


def explain(due: int) -> tuple[list[str], float, int]:
    """The plan of the statement that finds what is due, its time (ms) and pages touched."""
    from django.db import connection

    from courses.models import RecallPlan

    rows = RecallPlan.objects.filter(look_at__lte=NOW).order_by("look_at", "pk")
    sql, values = rows[:due].query.sql_with_params()
    with connection.cursor() as cursor:
        statement = f"EXPLAIN (ANALYZE, BUFFERS, FORMAT {{}}) {sql} FOR NO KEY UPDATE SKIP LOCKED"
        cursor.execute(statement.format("JSON"), values)
        [told] = cursor.fetchone()[0]
        cursor.execute(statement.format("TEXT"), values)
        lines = [line for (line,) in cursor.fetchall()]
    node = told["Plan"]
    return lines, told["Execution Time"], node["Shared Hit Blocks"] + node["Shared Read Blocks"]


def touch(due: int) -> None:
    """Look at the same courses again."""
    from courses.models import RecallPlan

    RecallPlan.objects.filter(pk__lte=due).update(look_at=NOW - timedelta(minutes=1))


def fill(courses: int, *, due: int) -> None:
    """Rows for so many courses; the first `due` of them are to be looked at."""
    from django.db import connection

    from clinics.models import Chain, Clinic, OpeningRule
    from courses import models

    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        chain = Chain.objects.create(name="Invented")
        for number in range(20):
            clinic = Clinic.objects.create(
                chain=chain, name=f"Clinic {number}", time_zone=ZONES[number % 4], country="DE"
            )
            for weekday in range(1, 7):
                OpeningRule.objects.create(
                    clinic=clinic,
                    weekday=weekday,
                    opens="09:00",
                    closes="19:00",
                    valid_during="[2020-01-01,)",
                )
        first = Clinic.objects.order_by("pk")[0].pk
        for model, columns in rows_of(models, chain=chain.pk, clinic=first, due=due):
            insert(cursor, model, columns, count=courses)
        cursor.execute("SET session_replication_role = origin")
        for table in ("courses_recall", "courses_message"):
            cursor.execute(
                "SELECT setval(pg_get_serial_sequence(%s, 'id'), %s)", [table, courses + 1]
            )
        cursor.execute("VACUUM ANALYZE")


ZONES = ("Europe/Berlin", "Europe/Lisbon", "America/Toronto", "Pacific/Auckland")


def rows_of(models, *, chain: int, clinic: int, due: int):
    """For each table the SQL of each column, of a number `n` that counts courses from 1."""
    at = f"{clinic} + mod(n, 20)"
    # Those that are due get a step ahead of their closing day; the others much later.
    closes = f"CASE WHEN n <= {due} THEN DATE '2026-03-16' ELSE DATE '2026-04-20' + mod(n, 40) END"
    treated = "TIMESTAMPTZ '2026-01-19 10:00Z' - mod(n, 20) * INTERVAL '1 minute'"
    yield (
        models.Patient,
        {
            "chain_id": chain,
            "home_clinic_id": at,
            "resource_id": "n",
            "given_name": "'Given'",
            "family_name": "'Invented' || n",
            "birth_date": "DATE '1990-05-17'",
            "skin_type": 2,
        },
    )
    yield (
        models.ContactPoint,
        {
            "patient_id": "n",
            "channel": "'email'",
            # Planning reads no address: one ciphertext does for all.
            "address_sealed": f"'{encrypt('patient@example.invalid')}'",
            "address_index": "'invented-' || n",
            "allowed": "'{aftercare,recall,reminder}'::varchar[]",
        },
    )
    yield (
        models.Tattoo,
        {
            "patient_id": "n",
            "site": "'forearm'",
            "area_cm2": 20,
            "ink_amount": "'moderate'",
        },
    )
    yield (
        models.TattooPart,
        {
            "tattoo_id": "n",
            "colour": "'black'",
            "technique": "'outline'",
            "share": 1,
        },
    )
    yield (
        models.Course,
        {
            "chain_id": chain,
            "clinic_id": at,
            "patient_id": "n",
            "status": "'active'",
        },
    )
    yield models.Course.tattoos.through, {"course_id": "n", "tattoo_id": "n"}
    yield (
        models.Session,
        {
            "course_id": "n",
            "clinic_id": at,
            "room_id": 1,
            "laser_id": 1,
            "operator_id": 1,
            "status": "'completed'",
            "started_at": treated,
            "ended_at": f"{treated} + INTERVAL '20 minutes'",
            "treated_on": "DATE '2026-01-19'",
        },
    )
    yield (
        models.TreatmentPass,
        {
            "session_id": "n",
            "sequence": 1,
            "line_id": 1,
            "handpiece_id": 1,
            "started_at": treated,
            "spot_mm": 3,
            "fluence_j_cm2": 4,
            "pulse_duration_ns": 6,
            "rate_hz": 5,
            "pulses": 200,
            "pulse_entry_id": "n",
        },
    )
    yield models.TreatmentPass.parts.through, {"treatmentpass_id": "n", "tattoopart_id": "n"}
    yield (
        models.HealingWindow,
        {
            "session_id": "n",
            "course_id": "n",
            "state": "'open'",
            "opened_on": "DATE '2026-01-19'",
            "earliest_on": closes,
            "advised_on": closes,
            "closes_at": f"({closes})::timestamp AT TIME ZONE 'UTC'",
        },
    )
    # A quarter has a visit booked; the other numbers had theirs.
    yield (
        models.Appointment,
        {
            "course_id": "n",
            "clinic_id": at,
            "room_id": 1,
            "operator_id": 1,
            "laser_id": 1,
            "starts_at": f"({closes} + 2)::timestamp AT TIME ZONE 'UTC' + INTERVAL '10 hours'",
            "ends_at": f"({closes} + 2)::timestamp AT TIME ZONE 'UTC' + INTERVAL '11 hours'",
            "status": "CASE mod(n, 4) WHEN 0 THEN 'booked' ELSE 'fulfilled' END",
        },
    )
    yield (
        models.Recall,
        {
            "course_id": "n",
            "session_id": "n",
            "kind": "'aftercare'",
            "step": "'check-in'",
            "template": "'aftercare'",
            "occasion": "'session:' || n",
            "due_at": "TIMESTAMPTZ '2026-01-22 10:00Z'",
            "status": "'completed'",
        },
    )
    yield (
        models.Message,
        {
            "recall_id": "n",
            "contact_point_id": "n",
            "channel": "'email'",
            "status": "'completed'",
            "due_at": "TIMESTAMPTZ '2026-01-22 10:00Z'",
            "sent_at": "TIMESTAMPTZ '2026-01-22 10:00Z'",
        },
    )
    yield (
        models.RecallPlan,
        {
            "course_id": "n",
            "chain_id": chain,
            "policy": 0,
            "look_at": (
                f"CASE WHEN n <= {due} THEN TIMESTAMPTZ '2026-03-02 07:00Z' + n * INTERVAL '1 ms' "
                f"ELSE ({closes} - 28)::timestamp AT TIME ZONE 'UTC' END"
            ),
        },
    )


def insert(cursor, model, columns: dict[str, object], *, count: int) -> None:
    """One statement for `count` rows; what is not given gets the model's default."""
    from django.db import connection
    from psycopg.types.json import Jsonb

    given, values = {}, []
    for field in fields_of(model):
        if field.column in columns:
            given[field.column] = columns[field.column]
        elif field.column == "id":
            given["id"] = "n"
        elif getattr(field, "auto_now", False) or getattr(field, "auto_now_add", False):
            given[field.column] = "TIMESTAMPTZ '2026-01-22 10:00Z'"
        else:
            default = field.get_default()
            given[field.column] = f"%s::{field.db_type(connection)}"
            values.append(Jsonb(default) if field.get_internal_type() == "JSONField" else default)
    names, given_sql = ", ".join(given), ", ".join(map(str, given.values()))
    cursor.execute(
        f"INSERT INTO {table_of(model)} ({names}) "  # noqa: S608 - names of our own
        f"SELECT {given_sql} FROM generate_series(1, %s) AS series (n)",
        [*values, count],
    )


if __name__ == "__main__":
    main()
