"""Workers killed while they send recalls, Redis emptied and killed; what patients noticed.

Run: python -m bench.recall_faults [--messages 300] [--kills 30] [--delay-ms 100] [--only all]
Needs DATABASE_URL; works in a test database of its own, which it removes, and starts a broker, a
worker with two processes, a beat and a provider of its own. A kill comes when the provider has
taken a message and not yet answered; every third takes the whole worker, the others its pool.
In the last row the provider also answers late, with 500 before or after the effect, or hangs up
after it (each 5 of 100), and PostgreSQL ends all connections of the workers five times.
"""

import argparse
import os
import shutil
import tempfile
from pathlib import Path

import django

HEADINGS = (
    "what happens",
    "messages",
    "kills",
    "wipes",
    "lost",
    "twice, key",
    "twice, no key",
    "s",
)
EVERYTHING = "all that, moods, connections cut"
COLUMNS = "{:<40}{:>9}{:>7}{:>8}{:>7}{:>12}{:>14}{:>8}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=300)
    parser.add_argument("--kills", type=int, default=30)
    parser.add_argument("--delay-ms", type=int, default=100)
    parser.add_argument("--only", default="", help="Only the row whose name begins so")
    asked = parser.parse_args()
    os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings.test"
    django.setup()

    print(
        COLUMNS.format(
            "what happens",
            "messages",
            "kills",
            "wipes",
            "lost",
            "twice (key)",
            "twice (no key)",
            "s",
        )
    )
    rows = {
        "nothing": (0, False),
        "workers killed": (asked.kills, False),
        "workers killed, Redis emptied and killed": (asked.kills, True),
        EVERYTHING: (asked.kills, True),
    }
    for name, (kills, broker_faults) in rows.items():
        if name.startswith(asked.only):
            show(name, asked, kills=kills, broker_faults=broker_faults)


def show(name: str, asked: argparse.Namespace, *, kills: int, broker_faults: bool) -> None:
    from tests.support.faults import Plan

    plan = Plan(
        messages=asked.messages,
        kills=kills,
        delay_s=asked.delay_ms / 1000,
        broker_faults=broker_faults,
        moods=name == EVERYTHING,
        cuts=5 if name == EVERYTHING else 0,
        seconds=60 + asked.messages + 10 * kills,
    )
    done = in_own_places(plan)
    print(
        COLUMNS.format(
            name,
            done.messages,
            done.kills,
            done.wipes,
            done.lost,
            done.twice,
            done.twice_without_keys,
            f"{done.seconds:.0f}",
        ),
        flush=True,
    )


def in_own_places(plan):
    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    from config.servers.folders import outside_folder, state_folder
    from config.servers.identity import server_identity
    from config.servers.redis import LocalRedis
    from tests.support.faults import campaign

    old = setup_databases(verbosity=0, interactive=False)
    folder = Path(tempfile.mkdtemp())
    identity = server_identity()
    base = state_folder(folder, name="servers", identity=identity)
    broker = LocalRedis(base=base, identity=identity, lasting=False)
    try:
        broker.start()
        return campaign(plan, broker=broker, folder=folder)
    finally:
        broker.stop()
        shutil.rmtree(folder)
        shutil.rmtree(outside_folder(folder), ignore_errors=True)
        connection.close()
        teardown_databases(old, verbosity=0)


if __name__ == "__main__":
    main()
