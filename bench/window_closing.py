"""Closing the healing windows whose time has come: one in a transaction, and a batch in one.

Run: python -m bench.window_closing [--windows 1000]
Needs DATABASE_URL; works in a test database of its own, which it removes. Half of the windows are
closed one by one, the other half in batches of 100, each with its new version and all triggers.
The processor time is that of the closer and of the database together.
"""

import argparse
import os
import time

import django

COLUMNS = "{:<14}{:>9}{:>9}{:>9}{:>9}{:>13}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--windows", type=int, default=1000)
    asked = parser.parse_args()
    os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings.test"
    django.setup()

    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    old = setup_databases(verbosity=0, interactive=False)
    try:
        measure(asked.windows)
    finally:
        connection.close()
        teardown_databases(old, verbosity=0)


def measure(windows: int) -> None:
    from django.utils import timezone

    from bench.recall_planning import processor_time
    from core.db import unit
    from courses.models import HealingWindow
    from courses.services.recalls.closing import window_close, windows_close
    from tests.support.recall_arena_builder import build

    unit(lambda: build(windows + 2))
    now = timezone.now()
    keys = list(HealingWindow.objects.order_by("-pk").values_list("pk", flat=True))
    # Connections and caches are warm.
    for pk in keys[:2]:
        window_close(window_id=pk, now=now)
    half = keys[2 : 2 + windows // 2]
    ways = {
        "one by one": lambda: sum(window_close(window_id=pk, now=now) for pk in half),
        "in batches": lambda: windows_close(now=now, seconds=600),
    }
    print(COLUMNS.format("way", "windows", "s", "ms each", "CPU s", "CPU ms each"))
    for name, way in ways.items():
        began, busy = time.perf_counter(), processor_time()
        done = way()
        seconds, busy = time.perf_counter() - began, processor_time() - busy
        print(
            COLUMNS.format(
                name,
                done,
                f"{seconds:.2f}",
                f"{1000 * seconds / done:.1f}",
                f"{busy:.2f}",
                f"{1000 * busy / done:.1f}",
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
