"""Appends over HTTP beside pgbench, a whole ledger verified, a year of counters reconciled.

Run: python -m bench.ledger [--lasers 600] [--days 365] [--firings 5] [--seconds 10] [--keep]
Needs DATABASE_URL of a superuser (rows are copied without triggers, their digests computed here)
and REDIS_URL; makes a database beside it and removes it. Prints one table. The default is 600
lasers over 365 days: 1 095 000 entries and 658 800 readings.
"""

import argparse
import http.client
import json
import os
import subprocess
import tempfile
import threading
import time
from bisect import bisect_left
from datetime import timedelta
from itertools import accumulate, pairwise
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import django
import psycopg
from psycopg import sql

from bench.ledger.data import FIRST_DAY, Filled, fill
from bench.sized import python

COLUMNS = "{:<58}{:>12}{:>10}{:>12}"

INSERT = """
\\set laser random({first}, {last})
INSERT INTO devices_pulseentry (laser_id, handpiece_id, line_id, pulses, purpose, operator_id,
    fired_at, reason, source, entry_key, created_at, ended_at, spot_mm, fluence_j_cm2, rate_hz,
    energy_j, total_energy_j, area_cm2, average_power_w)
VALUES (:laser, :laser + {to_tip}, {line}, 100, 'test_fire', {person}, now(), '', '',
    gen_random_uuid(), now(), now(), 3, 4, 10, 0.2827, 28.27, 7.07, 2.83);
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lasers", type=int, default=600)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--firings", type=int, default=5, help="Of each laser a day")
    parser.add_argument("--seconds", type=int, default=10, help="How long to append")
    parser.add_argument("--clients", type=int, default=8)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--keep", action="store_true", help="Leave the database there")
    asked = parser.parse_args()
    base = os.environ["DATABASE_URL"]
    name = f"{urlsplit(base).path.lstrip('/')}_bench_ledger"
    url = urlunsplit(urlsplit(base)._replace(path=f"/{name}"))
    drop = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
    with psycopg.connect(base, autocommit=True) as server:
        server.execute(drop)
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    try:
        python(url, "manage.py", "migrate", "--verbosity", "0")
        run(url, asked)
    finally:
        if not asked.keep:
            django.db.connection.close()
            with psycopg.connect(base, autocommit=True) as server:
                server.execute(drop)


def run(url: str, asked: argparse.Namespace) -> None:
    os.environ |= {"DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "config.settings.test"}
    django.setup()
    began = time.perf_counter()
    with psycopg.connect(url, autocommit=True) as own:
        filled = fill(
            own, lasers=asked.lasers, days=asked.days, firings=asked.firings, seed=asked.seed
        )
        took = time.perf_counter() - began
        print(f"{filled.entries:,} entries and {filled.readings:,} readings in {took:.0f} s")
        print(COLUMNS.format("what", "rows", "s", "rows/s"))
        verification(filled)
        reconciliation(filled)
        appends(url, own, filled, asked)


def show(what: str, rows: int, seconds: float) -> None:
    told = COLUMNS.format(what, f"{rows:,}", f"{seconds:.2f}", f"{rows / seconds:,.0f}")
    print(told, flush=True)


def timed(what: str, rows: int, work):
    began = time.perf_counter()
    found = work()
    show(what, rows, time.perf_counter() - began)
    return found


def verification(filled: Filled) -> None:
    from devices.selectors.ledger_chain import verify_chains, walk_chain

    quick = timed("verify: two statements", filled.entries, lambda: verify_chains(filled.lasers))
    slow = timed(
        "verify: plain Python loop", filled.entries, lambda: [*map(walk_chain, filled.lasers)]
    )
    assert quick == slow
    assert not any(one.first_break for one in quick)


def reconciliation(filled: Filled) -> None:
    from devices.selectors.counters import reconciled

    since = FIRST_DAY - timedelta(days=1)
    spans = filled.readings - 3 * len(filled.lasers)
    quick = timed(
        "reconcile: one statement (spans)", spans, lambda: reconciled(filled.chain, since=since)
    )
    slow = timed(
        "reconcile: Python, two queries a counter (spans)", spans, lambda: loop(filled.chain)
    )
    assert (quick.spans, len(quick.differing)) == (spans, filled.unlogged)
    assert {(one.earlier_id, one.later_id) for one in quick.differing} == slow


def loop(chain: int) -> set[tuple[int, int]]:
    """The same by a loop over counters, readings and firings merged by time in Python."""
    from devices.models import Counter, PulseEntry

    differing = set()
    for counter in Counter.objects.filter(chain=chain):
        device = (
            {"laser": counter.laser_id} if counter.laser_id else {"handpiece": counter.handpiece_id}
        )
        fired = PulseEntry.objects.filter(**device).order_by("fired_at")
        rows = [*fired.values_list("fired_at", "pulses")]
        times = [at for at, _ in rows]
        totals = [0, *accumulate(pulses for _, pulses in rows)]
        readings = counter.readings.counting().order_by("read_at", "id")
        marks = [
            (pk, value, totals[bisect_left(times, at)])
            for pk, at, value in readings.values_list("id", "read_at", "value")
        ]
        differing |= {
            (one[0], other[0])
            for one, other in pairwise(marks)
            if other[1] - one[1] != other[2] - one[2]
        }
    return differing


def appends(url: str, own: psycopg.Connection, filled: Filled, asked) -> None:
    from devices.selectors.ledger_chain import verify_chains

    pgbench("append: pgbench, the same insert", url, own, filled, asked)
    own.execute("ALTER TABLE devices_pulseentry DISABLE TRIGGER devices_pulseentry_linked")
    own.execute("ALTER TABLE devices_pulseentry DROP CONSTRAINT pulseentry_chain_once")
    pgbench("append: pgbench, control without the chain", url, own, filled, asked)
    own.execute("ALTER TABLE devices_pulseentry DISABLE TRIGGER devices_pulseentry_only_grows")
    own.execute("DELETE FROM devices_pulseentry WHERE sequence = 0")
    own.execute("ALTER TABLE devices_pulseentry ENABLE TRIGGER USER")
    own.execute(
        "ALTER TABLE devices_pulseentry ADD CONSTRAINT pulseentry_chain_once"
        " UNIQUE (laser_id, sequence)"
    )
    over_http(url, filled, asked)
    seen = verify_chains(filled.lasers)
    assert not any(one.first_break for one in seen)
    print(f"afterwards {sum(one.entries for one in seen):,} entries, every chain holds")


def pgbench(what: str, url: str, own: psycopg.Connection, filled: Filled, asked) -> None:
    first = filled.lasers[0]
    assert filled.lasers == [*range(first, first + len(filled.lasers))]
    [person] = own.execute("SELECT min(id) FROM clinics_staffmember").fetchone()
    with tempfile.NamedTemporaryFile("w", suffix=".sql") as script:
        script.write(
            INSERT.format(
                first=first,
                last=filled.lasers[-1],
                to_tip=filled.handpieces[first] - first,
                line=filled.line,
                person=person,
            )
        )
        script.flush()
        where = ["-h", urlsplit(url).hostname, "-p", str(urlsplit(url).port)]
        told = subprocess.run(  # noqa: S603
            [
                *("pgbench", *where, "-U", urlsplit(url).username, "-n", "-M", "prepared"),
                *("-c", str(asked.clients), "-j", "2", "-T", str(asked.seconds)),
                *("-f", script.name, urlsplit(url).path.lstrip("/")),
            ],
            check=True,
            capture_output=True,
            text=True,
        ).stdout
    lines = dict(line.split(" = ") for line in told.splitlines() if " = " in line)
    rate = float(lines["tps"].split()[0])
    show(what, round(rate * asked.seconds), asked.seconds)


def over_http(url: str, filled: Filled, asked) -> None:
    """Test fires sent by so many clients at once to gunicorn, until the time is over."""
    from tests.support.web import Web

    with tempfile.TemporaryDirectory() as folder:
        deployed = {
            "DATABASE_URL": url,
            "DJANGO_SETTINGS_MODULE": "config.settings.production",
            "FALLOW_SECRET_KEY": "local-" + "not-a-secret-" * 4,
            "FALLOW_ENCRYPTION_KEYS": "bG9jYWwtb25seS1ub3QtYS1zZWNyZXQtbm90LWEtc2U=",
            "FALLOW_INDEX_KEYS": "local-only-not-a-secret",
            "FALLOW_ALLOWED_HOSTS": "127.0.0.1",
            "FALLOW_TLS_REDIRECT": "no",
            "FALLOW_OUTBOX_DIR": f"{folder}/outbox",
            "FALLOW_STATIC_DIR": f"{folder}/static",
            "FALLOW_LOG_LEVEL": "WARNING",
        }
        web = Web({**os.environ, **deployed}, log=Path(folder) / "web.log")
        web.start()
        try:
            spent: list[list[float]] = [[] for _ in range(asked.clients)]
            stop = time.perf_counter() + asked.seconds
            crowd = [
                threading.Thread(target=client, args=(web.port, filled, number, stop, spent))
                for number in range(asked.clients)
            ]
            began = time.perf_counter()
            for one in crowd:
                one.start()
            for one in crowd:
                one.join()
            took = time.perf_counter() - began
        finally:
            web.end()
    every = sorted(seconds for own in spent for seconds in own)
    show(f"append: HTTP, {asked.clients} clients, 2 workers", len(every), took)
    middle, high = every[len(every) // 2], every[int(len(every) * 0.99)]
    print(f"  an append over HTTP: median {middle * 1000:.1f} ms, p99 {high * 1000:.1f} ms")


def client(port: int, filled: Filled, number: int, stop: float, spent: list[list[float]]) -> None:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    sent = 0
    while time.perf_counter() < stop:
        sent += 1
        laser = filled.lasers[(number * 7919 + sent * 31) % len(filled.lasers)]
        body = {
            "laser": laser,
            "handpiece": filled.handpieces[laser],
            "line": filled.line,
            "pulses": 100,
            "purpose": "test_fire",
            "spot_mm": 3,
            "fluence_j_cm2": 4,
            "rate_hz": 10,
        }
        headers = {
            "Authorization": f"Bearer {filled.tokens[(number + sent) % len(filled.tokens)]}",
            "Content-Type": "application/json",
            "Idempotency-Key": f"{number}-{sent}",
        }
        began = time.perf_counter()
        link.request("POST", "/api/v1/pulse-entries", json.dumps(body), headers)
        answer = link.getresponse()
        told = answer.read()
        assert answer.status == 201, told
        spent[number].append(time.perf_counter() - began)


if __name__ == "__main__":
    main()
