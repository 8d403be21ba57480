"""Two at once: one session for one key or one window, one running course for one tattoo."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier, BrokenBarrierError

import pytest
from django.db import connection

from clinics.vocabulary import Role
from core.errors import DomainError
from courses import locks
from courses.models import Course, HealingWindow, Patient, Session
from courses.services import courses as services
from courses.vocabulary import CourseStatus
from devices.models import PulseEntry
from tests.support.api import Caller
from tests.support.courses import NOW, make_course, make_patient, make_tattoo, make_ward
from tests.support.factories import make_actor

pytestmark = pytest.mark.django_db(transaction=True)


def both(*attempts: Callable[[], object]) -> list[object]:
    """What each gave, started as nearly together as threads can be."""
    barrier = Barrier(len(attempts), timeout=20)

    def run(attempt: Callable[[], object]) -> object:
        try:
            barrier.wait()
            return attempt()
        finally:
            connection.close()

    with ThreadPoolExecutor(max_workers=len(attempts)) as pool:
        return [job.result(timeout=60) for job in [pool.submit(run, one) for one in attempts]]


def one_of_everything() -> tuple[int, int, int]:
    return Session.objects.count(), PulseEntry.objects.count(), HealingWindow.objects.count()


@pytest.mark.parametrize("turn", range(5))
def test_the_same_key_twice_at_once_records_one_session(turn):
    ward = make_ward()
    caller = ward.caller(Role.LASER_OPERATOR)
    twin = Caller.__new__(Caller)
    twin.staff, twin.client = caller.staff, type(caller.client)(raise_request_exception=True)
    twin.client.credentials(**caller.client._credentials)
    body = ward.session_body()
    first, second = both(
        lambda: caller.post("/sessions", body, key="s1"),
        lambda: twin.post("/sessions", body, key="s1"),
    )
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.content == second.content
    assert one_of_everything() == (1, 1, 1)


@pytest.mark.parametrize("turn", range(5))
def test_two_keys_for_the_same_skin_at_once_record_one_session(turn):
    ward = make_ward()
    callers = [ward.caller(Role.LASER_OPERATOR) for _ in range(2)]
    answers = both(
        *(lambda one=one: one.post("/sessions", ward.session_body(), key="k") for one in callers)
    )
    assert sorted(answer.status_code for answer in answers) == [201, 422]
    assert one_of_everything() == (1, 1, 1)


def activate(course_id: int, actor) -> str:
    try:
        services.course_activate(course_id=course_id, reason="", actor=actor, now=NOW)
    except DomainError as refusal:
        return refusal.code
    return "active"


def race_to_begin(monkeypatch) -> list[str]:
    """Two drafts of one tattoo begin at once; each waits for the other after its check."""
    ward = make_ward()
    tattoo = make_tattoo(make_patient(ward.clinic))
    drafts = [make_course(tattoo, status=CourseStatus.DRAFT) for _ in range(2)]
    actors = [make_actor(Role.TREATING_CLINICIAN, clinic=ward.clinic) for _ in range(2)]
    checked = Barrier(2, timeout=1)
    check = services._refuse_double

    def check_and_wait(course: Course) -> None:
        check(course)
        try:
            checked.wait()
        except BrokenBarrierError:
            return  # the other one waits for our lock, as it should

    monkeypatch.setattr(services, "_refuse_double", check_and_wait)
    return both(
        *(
            lambda course=course, actor=actor: activate(course.pk, actor)
            for course, actor in zip(drafts, actors, strict=True)
        )
    )


def test_of_two_courses_of_one_tattoo_one_begins(monkeypatch):
    outcomes = race_to_begin(monkeypatch)
    assert sorted(outcomes) == ["active", "tattoo_in_running_course"]


def test_control_without_the_patients_lock_both_begin(monkeypatch):
    monkeypatch.setattr(locks, "lock_patient", lambda *, pk: Patient.objects.get(pk=pk))
    assert race_to_begin(monkeypatch) == ["active", "active"]
