"""An address that bounced works again, as somebody says: the one way back on without a change."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinics.models import Change
from clinics.vocabulary import Role
from core.db import command
from courses.models import ContactPoint, Message, Recall
from courses.services.recalls.claims import contact_point_off
from tests.support.api import assert_problem, sign_in
from tests.support.courses import make_contact_point, say
from tests.support.recalls import Remembering, make_scene, open_due, send_due

pytestmark = pytest.mark.django_db
REASON = {"reason": "The patient says that the mailbox was full and is not any more"}


@command
def turn_off(point, *, now):
    contact_point_off(pk=point.pk, reason="bounced", now=now)


@pytest.fixture
def scene():
    scene = make_scene()
    turn_off(scene.point, now=scene.noon)
    return scene


@pytest.fixture
def desk(scene):
    return sign_in(Role.FRONT_DESK, clinic=scene.ward.clinic)


def path(scene) -> str:
    return f"/contact-points/{scene.point.pk}/reinstate"


def reinstate(desk, scene, body=REASON, *, match="*", key=None):
    headers = {"If-Match": match} if match else {}
    if key:
        headers["Idempotency-Key"] = key
    return desk.client.post(f"/api/v1{path(scene)}", body, format="json", headers=headers)


def state(scene) -> tuple[str, str]:
    point = ContactPoint.objects.get(pk=scene.point.pk)
    return point.state, point.off_reason


def test_it_is_on_again_and_who_when_and_why_are_kept(scene, desk):
    answer = reinstate(desk, scene, match=desk.etag(f"/contact-points/{scene.point.pk}"))
    shown = answer.json()
    assert answer.status_code == 200, shown
    assert (shown["state"], shown["off_reason"], shown["off_at"]) == ("working", "", None)
    kept = Change.objects.filter(record="contactpoint", row_id=scene.point.pk).latest("id")
    assert (kept.staff_id, kept.reason) == (desk.staff.pk, REASON["reason"])
    assert kept.before["state"] == "off"
    assert kept.at <= timezone.now()


def test_a_step_that_waited_for_an_address_is_planned_and_sent(scene, desk):
    open_due(scene.noon)
    assert scene.steps[0] == ("window-closed", "on-hold")
    reinstate(desk, scene)
    open_due(scene.noon)
    assert ("window-closed", "active") in scene.steps
    way = Remembering()
    send_due(scene.noon, way)
    assert way.addresses == [scene.point.address]


def test_a_step_that_failed_there_is_not_sent_there_twice_but_the_next_one_is(desk):
    scene = make_scene()
    open_due(scene.noon)
    send_due(scene.noon)
    turn_off(scene.point, now=scene.noon)
    Message.objects.filter(recall=scene.recall).update(status="completed")
    caller = sign_in(Role.FRONT_DESK, clinic=scene.ward.clinic)
    assert reinstate(caller, scene).status_code == 200
    way, later = Remembering(), scene.noon + timedelta(days=14)
    open_due(later)
    send_due(later, way)
    assert Message.objects.filter(recall=scene.recall).count() == 1
    assert way.addresses == [scene.point.address]


def test_what_the_patient_opted_out_of_stays_so(scene, desk):
    say(scene.point, "withdrawn", at=scene.noon)
    reinstate(desk, scene)
    assert state(scene) == ("working", "")
    open_due(scene.noon)
    assert not Recall.objects.filter(status="active").exists()


def test_one_that_is_on_is_refused(scene, desk):
    reinstate(desk, scene)
    before = ContactPoint.objects.values().get(pk=scene.point.pk)
    assert_problem(reinstate(desk, scene), 422, "contact_point_not_off")
    assert ContactPoint.objects.values().get(pk=scene.point.pk) == before


def test_a_repeat_with_the_same_key_gets_the_same_answer(scene, desk):
    tag = desk.etag(f"/contact-points/{scene.point.pk}")
    first = reinstate(desk, scene, match=tag, key="once")
    second = reinstate(desk, scene, match=tag, key="once")
    assert (first.status_code, second.status_code) == (200, 200)
    assert first.content == second.content
    assert Change.objects.filter(record="contactpoint", reason=REASON["reason"]).count() == 1


@pytest.mark.parametrize(
    ("body", "match", "status"),
    [
        (REASON, None, 428),
        (REASON, '"1-0"', 412),
        (REASON, "never an etag", 412),
        ({}, "*", 400),
        ({"reason": " "}, "*", 400),
        ({"reason": "r" * 401}, "*", 400),
        ({**REASON, "state": "working"}, "*", 400),
    ],
)
def test_what_is_wrong_leaves_it_off(scene, desk, body, match, status):
    assert_problem(reinstate(desk, scene, body, match=match), status)
    assert state(scene) == ("off", "bounced")


@pytest.mark.parametrize("role", [Role.CHAIN_MANAGER, Role.LASER_OPERATOR])
def test_only_those_who_reach_patients(scene, role):
    caller = sign_in(role, clinic=scene.ward.clinic)
    assert_problem(reinstate(caller, scene), 403)
    assert state(scene) == ("off", "bounced")


def test_another_chain_has_no_such_contact_point(scene):
    assert_problem(reinstate(sign_in(Role.FRONT_DESK), scene), 404)
    assert state(scene) == ("off", "bounced")


def test_another_address_of_the_patient_stays_as_it_is(scene, desk):
    other = make_contact_point(scene.patient)
    turn_off(other, now=scene.noon)
    reinstate(desk, scene)
    other.refresh_from_db()
    assert other.state == "off"
