"""Courses with so many sessions behind them; nothing of a session but that it was."""

from datetime import UTC, datetime, timedelta

from courses.models import Course, Session
from courses.vocabulary import CourseStatus, SessionStatus
from tests.support.courses import Ward, make_course, make_patient, make_tattoo

FIRST = datetime(2024, 1, 8, 10, tzinfo=UTC)
SITES = ("head", "upper_trunk", "lower_trunk", "upper_arm", "forearm")
ENDED = {
    CourseStatus.COMPLETED: "goal_reached",
    CourseStatus.REVOKED: "lost_to_follow_up",
}


def make_past_course(
    ward: Ward,
    done: int,
    *,
    status: CourseStatus = CourseStatus.COMPLETED,
    site: str = "upper_arm",
    **fields,
) -> Course:
    """A course with `done` sessions, eight weeks apart."""
    patient = make_patient(ward.clinic)
    end = {"end_reason": ENDED[status]} if status in ENDED else {}
    course = make_course(
        make_tattoo(patient, site=site), clinic=ward.clinic, status=status, **end, **fields
    )
    add_sessions(ward, course, done)
    return course


def add_sessions(ward: Ward, course: Course, count: int) -> None:
    """Completed sessions of a course, without passes."""
    starts = [FIRST + timedelta(weeks=8 * n) for n in range(count)]
    Session.objects.bulk_create(
        Session(
            course=course,
            clinic=ward.clinic,
            room=ward.room,
            laser=ward.laser,
            operator=ward.operator,
            status=SessionStatus.COMPLETED,
            started_at=start,
            treated_on=start.date(),
        )
        for start in starts
    )


def make_past_courses(ward: Ward, count: int, *, ratio: float = 0.6) -> list[Course]:
    """Completed courses of several scores; sessions about `ratio` times the score."""
    spread = (0.8, 0.9, 1.0, 1.1, 1.25)
    return [
        make_past_course(
            ward,
            max(1, round(ratio * (7 + number % 5) * spread[(number // 5) % 5])),
            site=SITES[number % 5],
        )
        for number in range(count)
    ]
