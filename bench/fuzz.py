"""Made-up requests for every operation of the OpenAPI document, by the thousand.

Run: DATABASE_URL=... python -m bench.fuzz [--cases 1000] [--processes 2] [--out FOLDER] [LABEL ...]
The database is migrated and filled with the invented demonstration when it is empty, on the day of
the tests, on which everything happens; each request is rolled back. LABEL is an operation such as
"GET /api/v1/patients", or "stories of /api/v1/rooms": what is made there is changed, taken away and
looked for. What is done is a file in `--out`: a run that was stopped goes on where it was, and
`--again` begins anew. Prints a table, and what failed with the request that shows it.
"""

import argparse
import gc
import hashlib
import json
import logging
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import time_machine

ROOT = Path(__file__).resolve().parents[1]
HEADER = "{:<66}{:>8}{:>9}{:>6}{:>11}  {}"
ROW = "{:<66}{:>8}{:>9.1f}{:>6}{:>11}  {}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("labels", nargs="*")
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=ROOT / ".local" / "fuzz")
    parser.add_argument("--again", action="store_true")
    parser.add_argument("--table", action="store_true", help="only print what is there")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    if asked.table:
        return _tell(asked.out)
    _prepare()
    wanted = asked.labels or _labels()
    random.Random(1).shuffle(wanted)
    left = [one for one in wanted if asked.again or not _is_done(asked.out, one, asked.cases)]
    print(f"{len(wanted)} operations, {len(left)} to do, {asked.cases} cases each", flush=True)
    orders = [(label, asked.cases, asked.seed) for label in left]
    began = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(asked.processes, _start) as pool:
        for number, outcome in enumerate(pool.imap_unordered(_run, orders), 1):
            _file(asked.out, outcome["operation"]).write_text(json.dumps(outcome, indent=1))
            print(f"{time.monotonic() - began:7.0f} s {number:>4}  {_row(outcome)}", flush=True)
    return _tell(asked.out)


def _prepare() -> None:
    """Tables and rows, unless they are there."""
    _django()
    from django.core.management import call_command

    from clinics.models import Chain
    from tests.support.access_world import fill

    call_command("migrate", verbosity=0)
    if not Chain.objects.exists():
        call_command("load_demo", patients=60)
        fill(Chain.objects.get())


def _labels() -> list[str]:
    from tests.support.fuzz_stories import STORIES, told_paths

    fuzzer = _fuzzer()
    return sorted(fuzzer.operations) + [f"{STORIES}{path}" for path in told_paths(fuzzer)]


def _start() -> None:
    _django()
    globals()["FUZZER"] = _fuzzer()
    # What is there now stays: it need not be looked through again and again.
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def _run(order: tuple[str, int, int]) -> dict[str, Any]:
    from tests.support.fuzz_stories import STORIES, tell_stories

    label, cases, seed = order
    fuzzer = globals()["FUZZER"]
    if label.startswith(STORIES):
        path = label.removeprefix(STORIES)
        outcome = tell_stories(fuzzer, path, requests=cases, seed=seed)
    else:
        outcome = fuzzer.run(label, cases=cases, seed=seed)
    told: dict[str, Any] = outcome.as_json()
    return told


def _fuzzer() -> Any:
    from clinics.models import Chain
    from tests.support.fuzz import Fuzzer

    return Fuzzer(Chain.objects.order_by("pk").first())


def _django() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    for name in ("FALLOW_CALLBACK_SECRET", "FALLOW_METRICS_TOKEN"):
        os.environ.setdefault(name, "made-up-and-no-secret")
    import django

    django.setup()
    logging.disable(logging.CRITICAL)
    from tests.support.demo import LOADED_AT

    time_machine.travel(LOADED_AT).start()


def _file(folder: Path, label: str) -> Path:
    return folder / f"{hashlib.sha256(label.encode()).hexdigest()[:16]}.json"


def _is_done(folder: Path, label: str, cases: int) -> bool:
    file = _file(folder, label)
    return file.is_file() and json.loads(file.read_text())["cases"] >= cases


def _outcomes(folder: Path) -> Iterator[dict[str, Any]]:
    for file in folder.glob("*.json"):
        yield json.loads(file.read_text())


def _row(outcome: dict[str, Any]) -> str:
    statuses = " ".join(f"{code}:{n}" for code, n in sorted(outcome["statuses"].items()))
    each = 1000 * outcome["seconds"] / max(outcome["cases"], 1)
    names = outcome["operation"], outcome["cases"], each
    return ROW.format(*names, outcome["server_errors"], outcome["violations"], statuses)


def _tell(folder: Path) -> int:
    """Print the table and what failed; 1 when anything did."""
    told = sorted(_outcomes(folder), key=lambda outcome: outcome["operation"])
    print(HEADER.format("operation", "cases", "ms/case", "5xx", "violations", "statuses"))
    for outcome in told:
        print(_row(outcome))
    for outcome in told:
        for finding, how in outcome["findings"].items():
            print(f"\n{outcome['operation']}\n  {finding}\n    {how}")
    sums = [sum(outcome[name] for outcome in told) for name in ("cases", "server_errors")]
    violations = sum(outcome["violations"] for outcome in told)
    print(f"\n{len(told)} operations, {sums[0]} cases, {sums[1]} of 5xx, {violations} violations")
    return int(bool(sums[1] or violations))


if __name__ == "__main__":
    sys.exit(main())
