"""Slot search over a big invented chain, beside its floor and two other ways to search.

Run: python -m bench.search [--sizes 20 200] [--rounds 300]
Needs DATABASE_URL; makes a database beside it for each size (see bench.chain), and removes it.
With --loaded it uses the one in DATABASE_URL, as `python -m bench.chain` has filled it; --explain
prints the plans of the statements that a search sends.

`service` is the whole search as the API calls it: plan of the course, rosters, occupancy, ranked
slots with reasons. What the others do is said in bench/search_peers.py. Each search is for the
next visit of another course, its window closed, at its own clinic or at `clinics` of the chain.
`cpu` is processor time of this process, without the database's; a busy machine stretches `p50`
and `p99`, and `best` least.
"""

import argparse
import os
import random
import re
import subprocess
import sys
import time
from collections.abc import Callable

import django
import psycopg

COLUMNS = "{:<44}{:>8}{:>8}{:>9}{:>9}{:>8}{:>9}{:>10}"
HEADINGS = ("work", "best ms", "p50 ms", "p95 ms", "p99 ms", "cpu ms", "to floor", "to service")
WARM_UP = 8
SEED = 20260601
MINUTES = 45


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[20, 200], metavar="CLINICS")
    parser.add_argument("--patients", type=int, help="Of the whole chain; 5 000 a clinic")
    parser.add_argument("--rounds", type=int, default=300)
    parser.add_argument("--keep", action="store_true", help="Keep the databases")
    parser.add_argument("--loaded", action="store_true", help="Use the database as it is")
    parser.add_argument("--explain", action="store_true")
    asked = parser.parse_args()
    if asked.loaded:
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
        django.setup()
        run(asked)
        return
    from bench.sized import sized_database

    for clinics in asked.sizes:
        with sized_database(clinics=clinics, patients=asked.patients, keep=asked.keep) as url:
            options = ["--rounds", str(asked.rounds), *(["--explain"] if asked.explain else [])]
            subprocess.run(  # noqa: S603
                [sys.executable, "-m", "bench.search", "--loaded", *options],
                check=True,
                env={**os.environ, "DATABASE_URL": url},
            )


def run(asked: argparse.Namespace) -> None:
    from bench.search_cases import Chain

    chain = Chain.read(chance=random.Random(SEED))
    with psycopg.connect(os.environ["DATABASE_URL"], autocommit=True) as own:
        chain.make_slot_table(own, weeks=8)
        print(f"\n{chain.told()}; load of the machine {os.getloadavg()[0]:.1f}")
        for clinics, weeks in ((1, 8), (50, 1), (50, 8)):
            measure(chain, own, clinics=clinics, weeks=weeks, asked=asked)
        if asked.explain:
            explain(chain)


def measure(chain, own: psycopg.Connection, *, clinics: int, weeks: int, asked) -> None:
    """One kind of search: a table of the ways to make it."""
    from bench import search_peers as peers

    rounds = asked.rounds if clinics == 1 else max(20, asked.rounds // 4)
    searches = [chain.search(clinics=clinics, weeks=weeks) for _ in range(rounds + WARM_UP)]
    cases = [chain.case(one) for one in searches]
    found = [one() for one in searches[:WARM_UP]]
    rows = peers.floor(own, cases[0])
    agreed = sum(
        all(slot.start in allowed[slot.clinic_id] for slot in result.answer.slots)
        for result, allowed in zip(
            found, (peers.intervals(own, case) for case in cases), strict=False
        )
    )
    title = f"{clinics if clinics == 1 else len(cases[0].rosters)} clinics, {weeks} weeks"
    print(f"\n{title}: {rows} occupancy rows; {agreed} of {WARM_UP} answers checked by intervals")
    print(COLUMNS.format(*HEADINGS))
    lowest = timed([lambda case=case: peers.floor(own, case) for case in cases])
    service = timed(searches)
    show("floor: psycopg, the occupancy rows", lowest)
    show("service: ranked slots with reasons", service, floor=lowest)
    if clinics > 1:
        first = timed([one.first for one in searches])
        show("service: first slots, line by line", first, floor=lowest, service=service)
    few = cases[: WARM_UP + max(5, rounds // 10)]
    ways = {
        "peer: interval sets (portion), starts only": peers.intervals,
        "peer: table of slots joined in SQL": peers.slot_table,
    }
    for name, way in ways.items():
        took = timed([lambda case=case, way=way: way(own, case) for case in few])
        show(name, took, floor=lowest, service=service)


Times = tuple[list[float], float]


def timed(work: list[Callable[[], object]]) -> Times:
    """Sorted wall-clock times and the median processor time (ms), without the warming up."""
    took, cpu = [], []
    for one in work:
        began, began_cpu = time.perf_counter(), time.process_time()
        one()
        cpu.append((time.process_time() - began_cpu) * 1000)
        took.append((time.perf_counter() - began) * 1000)
    cpu = sorted(cpu[WARM_UP:])
    return sorted(took[WARM_UP:]), cpu[len(cpu) // 2]


def show(
    name: str, took: Times, *, floor: Times | None = None, service: Times | None = None
) -> None:
    wall, cpu = took

    def at(share: float, of: list[float] = wall) -> float:
        return of[min(len(of) - 1, int(share * len(of)))]

    def ratio(other: Times | None) -> str:
        return "" if other is None else f"{at(0.5) / at(0.5, other[0]):.1f}x"

    figures = [f"{one:.2f}" for one in (wall[0], at(0.5), at(0.95), at(0.99), cpu)]
    print(COLUMNS.format(name, *figures, ratio(floor), ratio(service)), flush=True)


def explain(chain) -> None:
    """The plans of the statements that a search and a booking send, as PostgreSQL keeps them."""
    from django.db import connection

    for name, sql, values in chain.statements():
        names = list(dict.fromkeys(re.findall(r"%\((\w+)\)s", sql)))
        text = sql
        for number, one in enumerate(names, start=1):
            text = text.replace(f"%({one})s", f"${number}")
        with connection.cursor() as cursor:
            cursor.execute(f"PREPARE explained AS {text}")
            marks = ", ".join(["%s"] * len(names))
            cursor.execute(
                f"EXPLAIN (ANALYZE, BUFFERS, COSTS OFF, TIMING OFF) EXECUTE explained ({marks})",
                [values[one] for one in names],
            )
            lines = [line for (line,) in cursor.fetchall()]
            cursor.execute("DEALLOCATE explained")
        print(f"\n{name}")
        kept = ("Scan", "Index Cond", "Join", "Nested Loop", "Filter", "Execution", "Planning")
        print("\n".join(line for line in lines if any(word in line for word in kept)))


if __name__ == "__main__":
    main()
