"""Clients book, hold, move, cancel and confirm while workers are killed and PostgreSQL crashes.

Run: python -m bench.booking_faults [--attempts 100000] [--clients 8] [--kills 100] [--crashes 9]
Starts gunicorn, PostgreSQL (durable) and Redis of its own. A third of the crashes stop PostgreSQL
in immediate mode, a third kill its main process, a third restart it in good order. Afterwards all
that clients were told is compared with the database by plain SQL; the last rows are controls.
"""

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from dataclasses import fields
from functools import partial
from itertools import cycle
from pathlib import Path

import django

COLUMNS = "{:<46}" + "{:>11}" * 9

INJURIES = {
    "control: one reservation lost": """
        DELETE FROM clinics_reservation WHERE id = (
            SELECT min(id) FROM clinics_reservation WHERE reason = 'appointment')""",
    "control: one reservation doubled": """
        ALTER TABLE clinics_reservation DROP CONSTRAINT reservation_no_overlap;
        INSERT INTO clinics_reservation (resource_id, period, status, reason, source, created_at)
        SELECT resource_id, period, status, reason, 'control:1', created_at
        FROM clinics_reservation WHERE reason = 'appointment' LIMIT 1""",
    "control: one idempotency record lost": """
        DELETE FROM core_idempotencyrecord WHERE id = (
            SELECT id FROM core_idempotencyrecord LIMIT 1)""",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--attempts", type=int, default=100_000)
    parser.add_argument("--clients", type=int, default=8)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--crashes", type=int, default=9)
    asked = parser.parse_args()
    # What is kept of answers is opened with the keys of these settings.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()
    folder = Path(tempfile.mkdtemp())
    try:
        run(asked, folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def run(asked: argparse.Namespace, folder: Path) -> None:
    from tests.support.booking_truth import Findings, judge
    from tests.support.crowd import Crowd, with_troubles
    from tests.support.web import backing
    from tests.support.web_arena import Size, make_web_arena, occupancy_is_kept

    with backing(folder) as own:
        size = Size(units=4, callers=200, courses=300, days=3)
        arena = make_web_arena(size, environment=own.environment())
        web = own.web()
        web.start()
        crowd = Crowd.of(arena, port=web.port, clients=asked.clients, attempts=asked.attempts)
        done: Counter[str] = Counter()
        began = time.monotonic()
        try:
            ledger = with_troubles(crowd, troubles(asked, own=own, web=web, done=done))
        finally:
            web.end()
        took = time.monotonic() - began
        show_run(asked, ledger, done=done, took=took)
        print()
        print(COLUMNS.format("the database afterwards", *(one.name for one in fields(Findings))))
        with own.connect() as connection:
            show(f"after {asked.attempts} attempts", judge(connection, ledger))
        kept = occupancy_is_kept(environment=own.environment())
        for name, injury in INJURIES.items():
            with own.connect() as connection, connection.transaction(force_rollback=True):
                connection.execute(injury)
                show(name, judge(connection, ledger))
        print(f"manage.py check_occupancy --report: {'no difference' if kept else 'DIFFERENT'}")


def troubles(asked, *, own, web, done):
    """When to do what: after so many attempts."""
    chance = random.Random(asked.attempts)
    ways = {
        "immediate stop": own.abort_postgres,
        "main process killed": own.crash_postgres,
        "restart": own.restart_postgres,
    }
    began = time.monotonic()

    def kill():
        done["workers killed"] += web.kill_worker(chance)

    def crash(name):
        ways[name]()
        done[name] += 1
        minutes = (time.monotonic() - began) / 60
        print(f"  {minutes:.1f} min: PostgreSQL {name}", file=sys.stderr, flush=True)

    moments = chance.sample(range(1, asked.attempts), asked.kills + asked.crashes)
    planned = dict.fromkeys(moments[: asked.kills], kill)
    for moment, name in zip(moments[asked.kills :], cycle(ways), strict=False):
        planned[moment] = partial(crash, name)
    return planned


def show_run(asked, ledger, *, done, took) -> None:

    ranked = sorted(ledger.seconds)
    at = lambda share: 1000 * ranked[int(share * (len(ranked) - 1))]  # noqa: E731
    kinds = Counter(one.kind for one in ledger.settled if one.done)
    print(
        f"{asked.clients} clients, {len(ledger.settled)} attempts settled in {took:.0f} s"
        f" ({len(ledger.settled) / took:.0f} a second),"
        f" p50 {at(0.5):.0f} ms, p99 {at(0.99):.0f} ms"
    )
    print(f"troubles: {dict(done)}")
    print(f"2xx: {dict(kinds)}, refused: {sum(not one.done for one in ledger.settled)}")
    print(f"answers: {dict(ledger.answers.most_common())}")
    print(f"answers that no client should get: {len(ledger.unfit)} {ledger.unfit[:3]}")


def show(name, findings) -> None:
    print(COLUMNS.format(name, *(getattr(findings, one.name) for one in fields(findings))))


if __name__ == "__main__":
    main()
