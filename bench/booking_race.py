"""Eight threads book and cancel on the same few resources; beside it, the same without the lock.

Run: python -m bench.booking_race [--attempts 10000] [--threads 8]
Needs DATABASE_URL; works in a test database of its own, which it removes.
"""

import argparse
import os
import time

import django

COLUMNS = "{:<34}{:>9}{:>8}{:>8}{:>10}{:>9}{:>9}{:>9}{:>8}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--attempts", type=int, default=10_000)
    parser.add_argument("--threads", type=int, default=8)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()

    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    old = setup_databases(verbosity=0, interactive=False)
    try:
        run(asked.attempts, asked.threads)
    finally:
        connection.close()
        teardown_databases(old, verbosity=0)


def run(attempts: int, threads: int) -> None:
    from tests.support import race

    arena = race.make_arena(units=3, courses=40)
    print(f"{threads} threads, 3 rooms, 3 operators, 3 lasers, 40 courses, 16 starts")
    print(
        COLUMNS.format(
            "way", "attempts", "booked", "taken", "deadlocks", "overlaps", "p50 ms", "p99 ms", "s"
        )
    )
    show(race, arena, "booking (locks + constraint)", race.booking, attempts, threads)
    print(f"appointments without exactly their reservations: {race.half_written()}")
    race.clear_reservations()
    show(race, arena, "control: constraint, no locks", race.insert_and_hope, attempts, threads)
    race.clear_reservations()
    race.drop_constraint()
    show(race, arena, "control: look, then insert", race.check_then_insert, attempts, threads)


def show(race, arena, name, attempt, attempts, threads) -> None:
    began = time.perf_counter()
    tally = race.race(arena, attempt, threads=threads, attempts=attempts)
    took = time.perf_counter() - began
    seen = tally.outcomes
    print(
        COLUMNS.format(
            name,
            sum(seen.values()),
            seen["booked"],
            seen["slot_taken"],
            seen["40P01"] + seen["busy"],
            race.overlaps(),
            f"{tally.quantile_ms(0.5):.1f}",
            f"{tally.quantile_ms(0.99):.1f}",
            f"{took:.0f}",
        )
    )
    others = {k: v for k, v in seen.items() if k not in {"booked", "slot_taken", "40P01", "busy"}}
    print(f"  also: {others}" if others else "", end="\n" if others else "")


if __name__ == "__main__":
    main()
