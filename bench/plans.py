"""What the hot requests ask of the database at size: the plan of every statement, as it ran.

Run: python -m bench.plans [--clinics-searched 50] [--statements]
Needs DATABASE_URL with a database that `python -m bench.chain` has filled; everything is rolled
back. The requests go through the API, in this process; PostgreSQL's auto_explain tells the plan of
each statement, so it wants a superuser of the database. `db ms` is time in PostgreSQL, `pages`
those of the buffer cache that were read (and from disk), `rows thrown away` what filters removed,
`read whole` the tables of 10 000 rows or more that were read from end to end. With --statements
each statement has a line of its own.
"""

import argparse
import json
import os
import random
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import django

HEADER = "{:<46}{:>6}{:>9}{:>9}{:>9}{:>9}{:>11}  {}"
NAMES = ("request", "sql", "all ms", "db ms", "pages", "on disk", "rows thrown", "read whole")
LARGE = 10_000
ROUNDS = 5
WAITING = 300
SEED = 20260601
SETTINGS = (
    "LOAD 'auto_explain'",
    "SET auto_explain.log_min_duration = 0",
    "SET auto_explain.log_analyze = on",
    "SET auto_explain.log_buffers = on",
    "SET auto_explain.log_timing = off",
    "SET auto_explain.log_format = 'json'",
    "SET auto_explain.log_nested_statements = on",
    "SET client_min_messages = log",
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clinics-searched", type=int, default=50)
    parser.add_argument("--statements", action="store_true")
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()
    from django.db import transaction

    whole = transaction.atomic()
    # As in tests: services open their outermost transaction inside of this one.
    whole._from_testcase = True  # noqa: SLF001
    with whole:
        run(asked)
        transaction.set_rollback(True)


def run(asked: argparse.Namespace) -> None:
    from bench.search_cases import Chain

    chain = Chain.read(chance=random.Random(SEED))
    plans = Plans.listening()
    print(chain.told())
    print(f"load of the machine {os.getloadavg()[0]:.1f}; medians of {ROUNDS} runs\n")
    print(HEADER.format(*NAMES))
    for name, calls in requests(chain, many=asked.clinics_searched):
        runs = []
        for call in calls:
            plans.seen.clear()
            began = time.perf_counter()
            answer = call()
            took = (time.perf_counter() - began) * 1000
            assert answer.status_code < 300, (name, answer.status_code, answer.content)
            runs.append((took, list(plans.seen)))
        runs.sort(key=lambda one: one[0])
        took, statements = runs[len(runs) // 2]
        show(name, took, statements)
        if asked.statements:
            for one in sorted(statements, key=lambda one: -one.ms):
                print(f"    {one.ms:8.2f} ms {one.pages:>7} pages  {one.text[:150]}")


def show(name: str, took: float, statements: "list[Statement]") -> None:
    sent = [one for one in statements if not one.nested]
    whole = sorted({table for one in statements for table in one.read_whole})
    figures = (
        len(sent),
        f"{took:.1f}",
        f"{sum(one.ms for one in sent):.2f}",
        sum(one.pages for one in sent),
        sum(one.from_disk for one in sent),
        sum(one.thrown_away for one in statements),
    )
    print(HEADER.format(name, *figures, ", ".join(whole) or "-"), flush=True)


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement as it ran."""

    text: str
    ms: float
    pages: int
    from_disk: int
    thrown_away: int
    read_whole: frozenset[str]
    nested: bool


@dataclass(slots=True)
class Plans:
    """What auto_explain has told of Django's connection."""

    large: frozenset[str]
    seen: list[Statement] = field(default_factory=list)

    @classmethod
    def listening(cls) -> "Plans":
        from django.db import connection

        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT relname FROM pg_class WHERE relkind = 'r' AND reltuples >= %s", [LARGE]
            )
            plans = cls(frozenset(name for (name,) in cursor.fetchall()))
            connection.connection.add_notice_handler(plans.hear)
            for setting in SETTINGS:
                cursor.execute(setting)
        plans.seen.clear()
        return plans

    def hear(self, notice: Any) -> None:
        told = re.match(r"duration: ([0-9.]+) ms  plan:\n(.*)", notice.message_primary, re.DOTALL)
        if not told:
            return
        explained = json.loads(told[2])
        nodes = list(_nodes(explained["Plan"]))
        top = explained["Plan"]
        self.seen.append(
            Statement(
                text=" ".join(explained["Query Text"].split()),
                ms=float(told[1]),
                pages=top["Shared Hit Blocks"] + top["Shared Read Blocks"],
                from_disk=top["Shared Read Blocks"],
                thrown_away=sum(
                    int(node.get("Rows Removed by Filter", 0) * node["Actual Loops"])
                    for node in nodes
                ),
                read_whole=frozenset(
                    node["Relation Name"]
                    for node in nodes
                    if node["Node Type"] == "Seq Scan"
                    and node["Relation Name"] in self.large
                    and node["Actual Loops"]
                ),
                nested=bool(notice.context),
            )
        )


def _nodes(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for below in node.get("Plans", ()):
        yield from _nodes(below)


Call = Callable[[], Any]


def requests(chain, *, many: int) -> Iterator[tuple[str, list[Call]]]:
    """Each kind of request, a few times, on other rows each time."""
    from clinics.vocabulary import Role
    from courses.models import Appointment
    from tests.support.api import sign_in

    caller = sign_in(Role.CHAIN_MANAGER, chain=_chain_row(chain))
    desk = sign_in(Role.FRONT_DESK, chain=_chain_row(chain))
    now = chain.now

    def span(days: float, *, since: float = 0) -> dict[str, str]:
        begin = now + timedelta(days=since)
        return {
            "start": begin.isoformat(),
            "end": (begin + timedelta(days=days)).isoformat(),
        }

    def search(course: int, clinics: list[int], days: int) -> Any:
        wishes = [{"clinic": pk} for pk in clinics]
        return caller.post(
            "/slot-searches", {"course": course, "clinics": wishes, "minutes": 45, **span(days)}
        )

    coming = set(Appointment.objects.filter(starts_at__gt=now).values_list("course", flat=True))
    free = [one for one in chain.courses if one[0] not in coming]
    drawn = chain.chance.sample(free, 6 * ROUNDS)
    near, far, booked = drawn[:ROUNDS], drawn[ROUNDS : 2 * ROUNDS], drawn[2 * ROUNDS : 4 * ROUNDS]
    clinics = [pk for _, pk in drawn[-ROUNDS:]]
    search(near[0][0], [near[0][1]], 56)
    yield "search, one clinic, 8 weeks", [lambda c=c, k=k: search(c, [k], 56) for c, k in near]
    some = [chain.chance.sample(chain.clinics, min(many, len(chain.clinics))) for _ in far]
    yield (
        f"search, {len(some[0])} clinics, 1 week",
        [lambda c=c, s=s: search(c, s, 7) for (c, _), s in zip(far, some, strict=True)],
    )
    taken = ("start", "clinic", "room", "operator", "laser", "handpieces", "wavelengths_nm")
    orders = []
    # One for each clinic: two of them must not want the same slot.
    for clinic, course in {clinic: course for course, clinic in booked}.items():
        slots = search(course, [clinic], 70).json()["slots"]
        if slots:
            one = {name: slots[0][name] for name in taken}
            orders.append({"course": course, "minutes": 45, **one})
    yield (
        "book a slot",
        [
            lambda order=order: desk.post("/appointments", order, key=f"plans-{order['course']}")
            for order in orders[:ROUNDS]
        ],
    )
    yield (
        "list a clinic's appointments of a day",
        [lambda k=k: desk.get("/appointments", clinic=k, **span(1, since=3)) for k in clinics],
    )
    patients = Appointment.objects.filter(starts_at__gt=now, clinic__in=clinics)
    ids = list(patients.order_by("starts_at").values_list("course__patient", flat=True)[:ROUNDS])
    yield (
        "list a patient's appointments",
        [lambda k=k: desk.get("/appointments", patient=k) for k in ids],
    )
    yield (
        "list a clinic's appointments that are too early",
        [lambda k=k: desk.get("/appointments/too-early", clinic=k) for k in clinics],
    )
    yield (
        "list all that are too early within a week",
        [lambda: desk.get("/appointments/too-early", **span(7)) for _ in range(ROUNDS)],
    )
    _wait(chain, clinics)
    yield (
        f"who of {WAITING} that wait fits a gap of 3 hours",
        [
            lambda k=k: desk.post("/gaps/candidates", {"clinic": k, **span(1 / 8, since=3)})
            for k in clinics
        ],
    )


def _chain_row(chain):
    from clinics.models import Chain

    return Chain.objects.get(pk=chain.actor.chain_id)


def _wait(chain, clinics: list[int]) -> None:
    """Let some whose windows have closed wait at each of these clinics."""
    from courses.models import AcceptedClinic, Course, WaitingListEntry

    for clinic in set(clinics):
        ready = [course for course, own in chain.courses if own == clinic][:WAITING]
        entries = WaitingListEntry.objects.bulk_create(
            WaitingListEntry(course=course, since=chain.now, entered_by_id=chain.actor.staff_id)
            for course in Course.objects.filter(pk__in=ready)
        )
        AcceptedClinic.objects.bulk_create(
            AcceptedClinic(entry=entry, clinic_id=clinic) for entry in entries
        )


if __name__ == "__main__":
    main()
