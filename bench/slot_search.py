"""Slot search over the demonstration chain: the service, and what of it nobody could save.

Run: python -m bench.slot_search [--searches 200] [--days 56] [--patients 300]
Needs DATABASE_URL; loads the demonstration into a test database of its own, which it removes.
`rows` fetches the same rows with the same statements by psycopg alone; `pure` is the search on
the diary that the service had made of them. Both are floors: together they are what is left of
the service when reading rows and making the diary cost nothing. `cpu` is the processor time of
this process (without the database), which a busy machine does not stretch.
"""

import argparse
import os
import random
import time
from contextlib import contextmanager
from datetime import timedelta

import django

COLUMNS = "{:<32}{:>9}{:>9}{:>9}{:>9}{:>9}{:>7}{:>6}"
WARM_UP = 20
SEED = 20260601


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--searches", type=int, default=200)
    parser.add_argument("--days", type=int, default=56)
    parser.add_argument("--patients", type=int, default=300)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()

    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    old = setup_databases(verbosity=0, interactive=False)
    try:
        run(asked)
    finally:
        connection.close()
        teardown_databases(old, verbosity=0)


def run(asked: argparse.Namespace) -> None:
    from django.utils import timezone

    from courses.demo.loading import Order, load, refresh_statistics

    now = timezone.now()
    began = time.perf_counter()
    counts = load(Order(patients=asked.patients), now=now, tell=lambda _: None)
    refresh_statistics()
    print(f"demonstration loaded in {time.perf_counter() - began:.1f} s: {counts}")
    actor, courses = caller_and_courses(now)
    chance = random.Random(SEED)
    chosen = [chance.choice(courses) for _ in range(asked.searches + WARM_UP)]
    print(f"{asked.searches} searches over {asked.days} days, courses at random of {len(courses)}")
    print(
        COLUMNS.format("work", "p50 ms", "p95 ms", "max ms", "cpu p50", "queries", "slots", "none")
    )
    for title, everywhere in (("whole chain", True), ("clinic of the course", False)):
        measure(title, chosen, everywhere=everywhere, days=asked.days, actor=actor, now=now)


def caller_and_courses(now):
    """A chain manager, and the active courses with something to treat and no window held."""
    from clinics.access import actor_for
    from clinics.models import StaffMember
    from courses.errors import NothingToTreat
    from courses.models import Course
    from courses.selectors.plans import visit_plan
    from courses.vocabulary import CourseStatus

    manager = StaffMember.objects.get(user__username="demo-manager")
    actor = actor_for(manager.user_id, now=now)
    courses = []
    for course in Course.objects.filter(status=CourseStatus.ACTIVE).order_by("pk"):
        try:
            open_to_treatment = visit_plan(course.pk, actor=actor).earliest.open_to_treatment
        except NothingToTreat:
            continue
        if open_to_treatment:
            courses.append(course)
    return actor, courses


def measure(title, chosen, *, everywhere, days, actor, now) -> None:
    from core.spans import Span
    from courses.selectors.slots import SearchOrder, slots_for

    taken = {"service": [], "rows": [], "pure": []}
    queries, slots, none = set(), 0, 0
    for number, course in enumerate(chosen):
        order = SearchOrder(
            span=Span(now, now + timedelta(days=days)),
            clinics={} if everywhere else {course.clinic_id: 1.0},
        )

        def search(course=course, order=order):
            return slots_for(course.pk, order=order, actor=actor, now=now)

        service, found = timed(search)
        with noted() as (statements, calls):
            search()
        rows, _ = timed(lambda statements=statements: fetch(statements))
        pure, _ = timed(lambda calls=calls: again(calls))
        if number < WARM_UP:
            continue
        for name, spent in (("service", service), ("rows", rows), ("pure", pure)):
            taken[name].append(spent)
        queries.add(len(statements))
        slots += len(found.answer.slots)
        none += not found.answer.slots
    count = f"{min(queries)}-{max(queries)}" if len(queries) > 1 else str(max(queries))
    show(f"{title}: service", taken["service"], count, slots, none)
    show("  floor: rows by psycopg", taken["rows"], count, "", "")
    show("  floor: pure search", taken["pure"], "", "", "")


def timed(work):
    """(wall, processor) milliseconds, and what the work gave."""
    began, busy = time.perf_counter(), time.process_time()
    result = work()
    spent = time.perf_counter() - began, time.process_time() - busy
    return tuple(seconds * 1000 for seconds in spent), result


@contextmanager
def noted():
    """The statements of a search, and the calls of the pure search with what they were given."""
    from django.db import connection

    from courses.selectors import slots as service

    statements, calls, real = [], [], service.search_slots

    def note_statement(execute, sql, params, many, context):
        statements.append((sql, params))
        return execute(sql, params, many, context)

    def note_call(*args, **kwargs):
        calls.append((real, args, kwargs))
        return real(*args, **kwargs)

    service.search_slots = note_call
    try:
        with connection.execute_wrapper(note_statement):
            yield statements, calls
    finally:
        service.search_slots = real


def fetch(statements) -> None:
    """The same statements on the same link, without the ORM."""
    from django.db import connection

    with connection.connection.cursor() as cursor:
        for sql, params in statements:
            cursor.execute(sql, params)
            cursor.fetchall()


def again(calls) -> None:
    for real, args, kwargs in calls:
        real(*args, **kwargs)


def show(name, taken, queries, slots, none) -> None:
    wall, cpu = (sorted(times) for times in zip(*taken, strict=True))
    p50, p95 = (wall[int(len(wall) * share)] for share in (0.5, 0.95))
    figures = [f"{ms:.1f}" for ms in (p50, p95, wall[-1], cpu[len(cpu) // 2])]
    print(COLUMNS.format(name, *figures, queries, slots, none))


if __name__ == "__main__":
    main()
