"""Every role finds something in the demonstration, and nothing breaks."""

import pytest

from clinics.policy import POLICY
from courses.models import Course
from courses.vocabulary import CourseStatus
from devices.models import LockOut

LISTS = {
    "clinics": "organisation.read",
    "rooms": "organisation.read",
    "staff-members": "staff.read",
    "credentials": "staff.read",
    "shifts": "staff.read",
    "memberships": "membership.read",
    "opening-rules": "organisation.read",
    "reservations": "reservation.read",
    "lasers": "device.read",
    "laser-models": "device.read",
    "handpieces": "device.read",
    "fittings": "device.read",
    "lock-outs": "device.read",
    "pulse-entries": "pulse_entry.read",
    "patients": "patient.read",
    "contact-points": "contact_point.read",
    "tattoos": "patient.read",
    "courses": "course.read",
    "sessions": "session.read",
    "observations": "medical_detail.read",
    "healing-windows": "healing.read",
    "appointments": "appointment.read",
}
ROLES = range(8)


@pytest.mark.parametrize("number", ROLES)
def test_lists_answer_each_role_as_the_policy_says(demo, number):
    shown = demo.credentials[number]
    caller = demo.caller(shown)
    for name, action in LISTS.items():
        answer = caller.get(f"/{name}")
        may = shown["role"] in POLICY[action].roles
        assert answer.status_code == (200 if may else 403), name
        assert not may or answer.json()["items"], name


@pytest.mark.parametrize("number", ROLES)
def test_slot_search_for_each_running_course(demo, number):
    shown = demo.credentials[number]
    caller = demo.caller(shown)
    courses = Course.objects.filter(status=CourseStatus.ACTIVE).order_by("pk")[:12]
    found = 0
    for course in courses:
        answer = caller.post(
            "/slot-searches",
            {
                "course": course.pk,
                "start": "2026-03-10T10:00:00Z",
                "end": "2026-05-05T00:00:00Z",
            },
        )
        if shown["role"] not in POLICY["slot.search"].roles:
            assert answer.status_code == 403
            continue
        assert answer.status_code == 200, answer.content
        body = answer.json()
        assert body["slots"] or body["bounds"]
        found += bool(body["slots"])
    assert found or shown["role"] not in POLICY["slot.search"].roles


@pytest.mark.parametrize("number", ROLES)
def test_capacity_of_eight_weeks(demo, number):
    shown = demo.credentials[number]
    answer = demo.caller(shown).get("/capacity", **{"from": "2026-03-09", "weeks": 8})
    if shown["role"] not in POLICY["capacity.read"].roles:
        assert answer.status_code == 403
        return
    assert answer.status_code == 200, answer.content
    assert len(answer.json()["items"]) == 8 * 3


def test_the_locked_out_laser_is_offered_to_nobody(demo):
    locked = LockOut.objects.get(period__endswith=None).laser_id
    caller = demo.caller(demo.credentials[0])
    for course in Course.objects.filter(status=CourseStatus.ACTIVE):
        body = {"course": course.pk, "start": "2026-03-10T10:00:00Z", "end": "2026-05-05T00:00:00Z"}
        answer = caller.post("/slot-searches", body)
        assert locked not in {slot["laser"] for slot in answer.json().get("slots", ())}


@pytest.mark.parametrize("number", ROLES)
def test_what_is_worth_a_look_has_something_to_show(demo, number):
    shown = demo.credentials[number]
    path, _, query = shown["look_at"].partition("?")
    answer = demo.caller(shown).get(
        path, **dict(pair.split("=") for pair in query.split("&") if pair)
    )
    assert answer.status_code == 200, answer.content
    assert answer.json()["items"]
