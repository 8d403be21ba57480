"""Short words for the front desk's tests: sessions that happened, bodies of requests."""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from courses.models import Course, HealingWindow, WaitingListEntry
from courses.selectors.visits import Visit
from courses.services.waiting_list import Wait, waiting_list_add
from courses.vocabulary import SkinResponse
from tests.support.api import Caller
from tests.support.booking import NOW, Stage, make_running_course
from tests.support.courses import Ward, make_session, make_window


def ward_of(stage: Stage, *, course: Course | None = None) -> Ward:
    """The stage as the builders of sessions want it."""
    return Ward(
        clinic=stage.clinic,
        room=stage.room,
        laser=stage.laser,
        handpiece=stage.handpiece,
        operator=stage.operator,
        course=course or stage.course,
    )


def treat(
    stage: Stage,
    at: datetime,
    *,
    course: Course | None = None,
    responses: Iterable[SkinResponse] = (),
) -> HealingWindow:
    """A session of the course that happened, with its healing window."""
    return make_window(make_session(ward_of(stage, course=course), at, responses=responses))


def wait(stage: Stage, course: Course | None = None, **changes: Any) -> WaitingListEntry:
    """The course is on the waiting list for the stage's clinic, at any time."""
    since = changes.pop("since", NOW - timedelta(days=1))
    return waiting_list_add(
        course_id=(course or make_running_course(stage.clinic)).pk,
        wait=Wait(**{"clinics": {stage.clinic.pk: 1.0}, **changes}),
        actor=stage.desk,
        now=since,
    )


def wait_overdue(stage: Stage, days: int, **changes: Any) -> WaitingListEntry:
    """Somebody waits whose advised day was so many days before tomorrow."""
    course = make_running_course(stage.clinic)
    treat(stage, NOW + timedelta(days=1 - 57 - days), course=course)
    return wait(stage, course, **changes)


def visit_body(visit: Visit) -> dict[str, Any]:
    """A visit as the body of a request has it."""
    place = visit.place
    return {
        "start": visit.starts_at.isoformat(),
        "clinic": place.clinic_id,
        "room": place.room_id,
        "operator": place.operator_id,
        "laser": place.laser_id,
        "handpieces": list(place.handpiece_ids),
        "wavelengths_nm": list(visit.wavelengths_nm),
        "segments": visit.timeline_json(),
    }


def move(caller: Caller, appointment_id: int, visit: Visit) -> Any:
    """Move an appointment over the API, from the version that it has."""
    path = f"/appointments/{appointment_id}"
    return caller.client.post(
        f"/api/v1{path}/move",
        visit_body(visit),
        format="json",
        headers={"If-Match": caller.etag(path)},
    )


def day_of(instant: str) -> date:
    """The UTC date of an instant in an answer."""
    return datetime.fromisoformat(instant).date()


def days_between(earlier: str, later: str) -> int:
    """Days from one instant in an answer to another."""
    return (day_of(later) - day_of(earlier)) // timedelta(days=1)
