"""Recalls sent while workers, servers and the provider fail; what patients noticed.

Run: python -m bench.recall_faults [--messages 5000] [--kills 150] [--troubles 9] [--workers 3]
Starts PostgreSQL (durable), Redis, gunicorn, workers with two processes each, two beats and a
provider of its own. Of three kills two come when the provider has taken a message and not yet
answered, the third a moment later; every third takes a whole worker, the others its pool. Redis
is emptied, killed, and stopped for three seconds in turn; PostgreSQL is restarted, stopped in
immediate mode and killed in turn. Of a hundred requests the provider answers five later than the
lease lasts, five with 500 before and five after the effect, and hangs up on five after it. It
tells of each delivery one to three times, signed, through the web process.

`lost` nobody told and nobody knows; `untrue` is said to have left and had not; `at the desk` was
given up and is on the front desk's list; `if no keys` is what had been told again by a provider
that does not know keys. In the second row the provider knows none and the service knows that.
"""

import argparse
import shutil
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

COLUMNS = "{:<36}" + "{:>10}" * 2 + "{:>7}" * 2 + "{:>6}" + "{:>7}" * 2 + "{:>12}" * 2
COLUMNS += "{:>9}" * 2 + "{:>7}"
HEADINGS = (
    "provider",
    "messages",
    "kills",
    "Redis",
    "PG",
    "lost",
    "twice",
    "untrue",
    "if no keys",
    "at the desk",
    "reports",
    "repeats",
    "s",
)
PROVIDERS = {"honours keys": True, "does not know keys": False}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=5000)
    parser.add_argument("--kills", type=int, default=150)
    parser.add_argument("--troubles", type=int, default=9, help="Of each server")
    parser.add_argument("--workers", type=int, default=3)
    parser.add_argument("--delay-ms", type=int, default=100)
    parser.add_argument("--only", default="", help="Only the row whose name begins so")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    try:
        run(asked, folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def run(asked: argparse.Namespace, folder: Path) -> None:
    from tests.support.faults import Plan, campaign
    from tests.support.web import backing
    from tests.support.web_arena import manage

    with backing(folder) as own:
        manage("migrate", "--no-input", "-v0", environment=own.environment())
        print(COLUMNS.format(*HEADINGS), flush=True)
        for number, (name, honours_keys) in enumerate(PROVIDERS.items()):
            if not name.startswith(asked.only):
                continue
            plan = Plan(
                messages=asked.messages,
                kills=asked.kills,
                delay_s=asked.delay_ms / 1000,
                workers=asked.workers,
                beats=2,
                redis=asked.troubles,
                postgres=asked.troubles,
                moods=True,
                honours_keys=honours_keys,
                seconds=120 + asked.messages / 2 + 10 * asked.kills,
            )
            place = folder / f"row-{number}"
            place.mkdir()
            done = campaign(plan, own.copied(f"row_{number}", folder=place))
            show(name, done)
            if honours_keys:
                controls(done)


def show(name, done) -> None:
    seen = done.evidence
    print(
        COLUMNS.format(
            name,
            seen.due,
            done.kills,
            done.troubles.get("redis", 0),
            done.troubles.get("postgres", 0),
            seen.lost,
            seen.twice,
            seen.untrue,
            seen.twice_without_keys,
            len(seen.desk),
            done.reports,
            done.repeats,
            f"{done.seconds:.0f}",
        )
    )
    print(
        f"    messages {done.states}, workers started {done.starts} times, "
        f"reports unheard {done.unheard}, answers to reports {done.answers}",
        flush=True,
    )


def controls(done) -> None:
    """The same evidence with one patient not told, and with one told twice."""
    told = done.evidence.told
    someone = next(iter(told))
    without = Counter({who: times for who, times in told.items() if who != someone})
    doubled = told + Counter([someone])
    for name, changed in (("forgotten", without), ("told again", doubled)):
        evidence = replace(done.evidence, told=changed)
        show(f"control: one {name}", replace(done, evidence=evidence))


if __name__ == "__main__":
    main()
