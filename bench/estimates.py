"""Planning from the records of an invented chain: estimates, calibration, outcomes, precautions.

Run: python -m bench.estimates [--patients 1000]
Needs DATABASE_URL; works in a test database of its own, which it removes.
"""

import argparse
import os
import statistics
import time

import django


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, default=1000)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()

    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    old = setup_databases(verbosity=0, interactive=False)
    try:
        run(asked.patients)
    finally:
        connection.close()
        teardown_databases(old, verbosity=0)


def run(patients: int) -> None:
    from django.utils import timezone

    from clinics.models import Chain, StaffMember
    from clinics.vocabulary import Role
    from courses.demo.loading import Order, load, refresh_statistics
    from courses.models import Course, Session
    from tests.support.factories import Grant, actor_of

    now = timezone.now()
    load(Order(patients, 7, None), now=now, tell=lambda _: None)
    refresh_statistics()
    chain = Chain.objects.get()
    actor = actor_of(
        StaffMember.objects.first(), Grant(role=Role.TREATING_CLINICIAN, clinic_id=None)
    )
    courses = list(Course.objects.filter(chain=chain).values_list("pk", flat=True))
    print(f"{patients} patients, {len(courses)} courses, {Session.objects.count()} sessions")
    rows = [*estimates(courses, actor=actor, now=now), *reports(chain, actor=actor, now=now)]
    width = max(len(name) for name, _ in rows)
    for name, value in rows:
        print(f"{name:<{width}}  {value:>12}")


def estimates(courses, *, actor, now):
    from courses.selectors.estimation.courses import course_estimate, course_estimates
    from courses.selectors.plans import Technique

    technique = Technique()
    course_estimate(courses[0], technique=technique, actor=actor, now=now)
    single = [
        timed(lambda pk=pk: course_estimate(pk, technique=technique, actor=actor, now=now))
        for pk in courses[:300]
    ]
    began = time.perf_counter()
    for start in range(0, len(courses), 500):
        chunk = courses[start : start + 500]
        course_estimates(chunk, technique=technique, actor=actor, now=now)
    whole = time.perf_counter() - began
    yield "one course from its records, p50", f"{statistics.median(single):.1f} ms"
    yield "one course from its records, p99", f"{statistics.quantiles(single, n=100)[98]:.1f} ms"
    yield f"all {len(courses)} courses, 500 at a time", f"{whole:.2f} s"
    yield "the same for 10 000 courses", f"{whole / len(courses) * 10_000:.1f} s"


def reports(chain, *, actor, now):
    from courses.models import Appointment
    from courses.outcomes.reactions import Axis
    from courses.selectors.calibration import calibration_data
    from courses.selectors.outcomes import ReactionQuestion, reaction_table
    from courses.selectors.precaution_attention import needing_attention
    from courses.services.calibration import calibration_run

    everything = ReactionQuestion(None, None, None, tuple(Axis))
    rows = Appointment.objects.visible_to(actor)
    yield "reading the courses for calibration", shown(lambda: calibration_data(chain, now=now))
    yield (
        "a calibration run",
        shown(lambda: calibration_run(asker=actor, staff_id=None, now=now)),
    )
    yield (
        "reactions by wavelength, skin type and colour",
        shown(lambda: reaction_table(everything, actor=actor)),
    )
    yield (
        "visits ahead that a precaution stands against",
        shown(lambda: needing_attention(rows, unasked=False, now=now)),
    )


def timed(call) -> float:
    """Milliseconds of one call."""
    began = time.perf_counter()
    call()
    return (time.perf_counter() - began) * 1e3


def shown(call) -> str:
    """The median of five calls."""
    return f"{statistics.median(timed(call) for _ in range(5)):.0f} ms"


if __name__ == "__main__":
    main()
