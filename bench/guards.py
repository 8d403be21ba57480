"""What the wall between chains and the history of changes cost, with a million patients.

Run: python -m bench.guards [--rounds 400]
Needs DATABASE_URL with a database that `python -m bench.chain` has filled. Everything happens in
one transaction, which is rolled back.

The wall: the statements of real requests are sent anew through psycopg, by turns as the role of
the web processes, whom row-level security shows one chain, and as the owner of the tables, whom it
does not concern; both carry the same conditions. The history: one row is changed by a statement,
and by a request, in blocks by turns with the triggers and without them.
"""

import argparse
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from itertools import pairwise
from typing import Any

import django

from bench import records

COLUMNS = "{:<40}{:<16}{:>9}{:>9}{:>10}"
HEADINGS = ("what", "how", "p50 ms", "p95 ms", "ratio")
BLOCKS = 8
SEED = 20260602
READS: tuple[tuple[str, Callable[[int], records.Request]], ...] = (
    ("list: a page of 50", lambda _: ("/patients", None)),
    ("detail", lambda pk: (f"/patients/{pk}", None)),
    ("search: family name", lambda pk: ("/patient-searches", {"name": f"Invented{pk}"})),
    ("timeline of a patient", lambda pk: (f"/patients/{pk}/history", None)),
    ("courses of a patient", lambda pk: (f"/courses?patient={pk}", None)),
)
CHANGE = "UPDATE courses_patient SET language = %s, version = version + 1 WHERE id = %s"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=400)
    asked = parser.parse_args()
    records.settle()
    django.setup()
    from django.db import transaction

    whole = transaction.atomic()
    # As in tests: services open their outermost transaction inside of this one.
    whole._from_testcase = True  # noqa: SLF001
    with whole:
        run(asked.rounds)
        transaction.set_rollback(True)


def run(rounds: int) -> None:
    from clinics.models import Chain
    from clinics.vocabulary import Role
    from courses.models import Patient
    from tests.support.api import sign_in

    caller = sign_in(Role.TREATING_CLINICIAN, chain=Chain.objects.get())
    last = Patient.objects.order_by("-pk").values_list("pk", flat=True)[0]
    print(f"{last:,} patients; {rounds} rounds\n{COLUMNS.format(*HEADINGS)}")
    chance = random.Random(SEED)
    for name, request in READS:
        keys = [chance.randint(1, last) for _ in range(rounds + records.WARM_UP)]
        wall(name, caller, [request(pk) for pk in keys])
    history("one row, by a statement", rounds, by_statement(last))
    history("one patient, by a request", rounds, by_request(caller, last))


def wall(name: str, caller: Any, requests: list[records.Request]) -> None:
    """The statements of the requests, inside the wall and without it, by turns."""
    from tests.support.walls import as_web_process

    with as_web_process():
        said = records.ask(caller, requests).statements
    inside, without = records.Seen(), records.Seen()
    for number, each in enumerate(said):
        turns = [(inside, as_web_process), (without, nullcontext)]
        for seen, role in turns if number % 2 else reversed(turns):
            with role():
                took = records.again([each])
            seen.took += took.took
    show(name, "inside the wall", inside, "no wall", without)


def history(name: str, rounds: int, change: Callable[[], float]) -> None:
    """Changes of single rows, with the triggers of the history and without."""
    noted, unnoted = records.Seen(), records.Seen()
    edges = [rounds * number // BLOCKS for number in range(BLOCKS + 1)]
    for first, after in pairwise(edges):
        for seen, without in ((noted, nullcontext), (unnoted, no_history)):
            with without():
                change()
                seen.took += [change() for _ in range(after - first)]
    show(name, "with history", noted, "no history", unnoted)


@contextmanager
def no_history() -> Iterator[None]:
    """Patients without their triggers of the history."""
    from django.db import connection

    for verb in ("DISABLE", "ENABLE"):
        with connection.cursor() as cursor:
            # What waits for the commit would be in the way of the other statement.
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute(f"ALTER TABLE courses_patient {verb} TRIGGER history_update")
        if verb == "DISABLE":
            yield


def by_statement(last: int) -> Callable[[], float]:
    """Change the language of some patient through psycopg, as the owner of the tables."""
    from django.db import connection

    chance, cursor = random.Random(SEED), connection.connection.cursor()

    def change() -> float:
        began = records.clock()
        cursor.execute(CHANGE, [chance.choice(("de", "fr", "it")), chance.randint(1, last)])
        return records.clock() - began

    return change


def by_request(caller: Any, last: int) -> Callable[[], float]:
    """Change the given name of some patient over the API, as a web process."""
    from tests.support.walls import as_web_process

    chance = random.Random(SEED)

    def change() -> float:
        path = f"/patients/{chance.randint(1, last)}"
        body = {"given_name": f"Invented{chance.randint(1, 99)}"}
        with as_web_process():
            began = records.clock()
            answer = caller.patch(path, body, version="*")
            took = records.clock() - began
        assert answer.status_code == 200, answer.content
        return took

    return change


def show(name: str, with_it: str, seen: Any, without_it: str, floor: Any) -> None:
    """Two lines of the table."""
    ratio = seen.at(0.5) / floor.at(0.5)
    for label, how, one, told in (
        (name, without_it, floor, ""),
        ("", with_it, seen, f"{ratio:.2f}x"),
    ):
        figures = (f"{one.at(0.5):.2f}", f"{one.at(0.95):.2f}")
        print(COLUMNS.format(label, how, *figures, told), flush=True)


if __name__ == "__main__":
    main()
