"""Whatever a plan depends on: the next tick plans the future steps anew, the one after nothing."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import HealingWindow, Message, Recall, RecallPlan
from tests.support.api import sign_in
from tests.support.courses import make_appointment, make_contact_point, say
from tests.support.recalls import Scene, open_due, send_due

pytestmark = pytest.mark.django_db
WAITING = ("preparation", "on-hold")


def policy(scene: Scene) -> None:
    manager = sign_in(Role.CHAIN_MANAGER, chain=scene.ward.chain)
    document = manager.get("/recall-policy").json()["document"]
    document["civil_hour"] = "15:30"
    answer = manager.post("/recall-policies", {"document": document, "based_on": 0})
    assert answer.status_code == 201, answer.json()


def window(scene: Scene) -> None:
    later = scene.window.earliest_on + timedelta(days=5)
    HealingWindow.objects.update(
        state="open", earliest_on=later, closes_at=scene.closes_at + timedelta(days=5)
    )


def booking(scene: Scene) -> None:
    make_appointment(scene.ward, scene.noon + timedelta(days=30))


def consent_taken_back(scene: Scene) -> None:
    say(scene.point, "withdrawn", "recall", at=scene.closes_at)


def opt_out(scene: Scene) -> None:
    desk = sign_in(Role.FRONT_DESK, clinic=scene.ward.clinic)
    assert desk.post(f"/contact-points/{scene.point.pk}/opt-out").status_code == 200


def death(scene: Scene) -> None:
    scene.patient.deceased = True
    scene.patient.save()


def end(scene: Scene) -> None:
    scene.course.status = "completed"
    scene.course.end_reason = "goal-reached"
    scene.course.save()


def another_address(scene: Scene) -> None:
    make_contact_point(scene.patient, rank=0)


def quiet_hours(scene: Scene) -> None:
    scene.point.quiet_from, scene.point.quiet_until = "08:00", "16:00"
    scene.point.save()


def waits() -> set[tuple]:
    """What is to leave: step, contact point, time."""
    rows = Message.objects.filter(status__in=WAITING, recall__status__in=("active", "on-hold"))
    return set(rows.values_list("recall__step", "contact_point", "due_at"))


def live() -> set[tuple]:
    rows = Recall.objects.filter(status__in=("active", "on-hold"))
    return set(rows.values_list("step", "status", "status_reason"))


@pytest.mark.parametrize(
    ("happens", "left", "reasons"),
    [
        (policy, {("active", "")}, set()),
        (window, {("active", "")}, {"skin_not_ready"}),
        (booking, set(), {"booked"}),
        (consent_taken_back, {("on-hold", "no_contact_point")}, set()),
        (opt_out, {("on-hold", "no_contact_point")}, set()),
        (death, set(), {"deceased"}),
        (end, set(), {"course_not_running"}),
        (another_address, {("active", "")}, set()),
        (quiet_hours, {("active", "")}, set()),
    ],
)
def test_the_next_tick_plans_the_future_steps_anew_and_once(scene, happens, left, reasons):
    open_due(scene.closes_at)
    before = waits()
    assert before
    assert open_due(scene.closes_at)["planned"] == 0
    happens(scene)
    assert open_due(scene.closes_at)["planned"] == 1
    assert waits() & before == set()
    assert {(status, reason) for _, status, reason in live()} == left
    revoked = Recall.objects.filter(status="revoked").values_list("status_reason", flat=True)
    assert set(revoked) == reasons
    after = list(Recall.objects.order_by("pk").values()), list(Message.objects.values())
    assert open_due(scene.closes_at)["planned"] == 0
    assert (list(Recall.objects.order_by("pk").values()), list(Message.objects.values())) == after


def test_what_the_desks_list_reads_follows_too(scene):
    def kept():
        return RecallPlan.objects.values_list("clinic", "ready_on", "booked_until").get()

    clinic = scene.ward.clinic.pk
    assert kept() == (clinic, None, None)
    open_due(scene.noon)
    assert kept() == (clinic, scene.window.earliest_on, None)
    visit = make_appointment(scene.ward, scene.noon + timedelta(days=3))
    assert kept() == (clinic, scene.window.earliest_on, visit.ends_at)
    visit.status = "cancelled"
    visit.save()
    assert kept() == (clinic, scene.window.earliest_on, None)
    scene.window.session.status = "entered-in-error"
    scene.window.session.save()
    assert kept() == (clinic, None, None)


def test_what_is_due_already_does_not_leave_when_the_policy_no_longer_has_it(scene, way):
    open_due(scene.noon)
    assert Message.objects.filter(due_at__lte=scene.noon, status="preparation").exists()
    manager = sign_in(Role.CHAIN_MANAGER, chain=scene.ward.chain)
    document = manager.get("/recall-policy").json()["document"]
    document["steps"] = [one for one in document["steps"] if one["key"] != "window-closed"]
    told = manager.post("/recall-policies", {"document": document, "based_on": 0})
    assert told.status_code == 201, told.json()
    # No planner comes between the change and the sender.
    send_due(scene.noon, way)
    gone = Recall.objects.get(step="window-closed")
    assert (gone.status, gone.messages.get().sent_at) == ("revoked", None)
