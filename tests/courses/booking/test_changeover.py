"""The chain's changeover minutes: between visits on one laser, and within a visit."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinics.vocabulary import Role
from courses.models import TattooPart
from courses.vocabulary import InkColour, Technique
from devices.models import Handpiece
from tests.support.api import Caller, assert_problem, sign_in
from tests.support.booking import (
    TOMORROW_TEN,
    Stage,
    fit_handpiece,
    make_operator,
    make_running_course,
    make_stage,
)
from tests.support.factories import make_room

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage(time_machine_at_stage) -> Stage:
    stage = make_stage()
    stage.handpiece.lines.set(stage.laser.laser_model.lines.filter(wavelength_nm=1064))
    make_room(stage.clinic)
    make_operator(stage.clinic)
    return stage


@pytest.fixture
def green_tip(stage) -> Handpiece:
    tip = fit_handpiece(stage.laser)
    tip.lines.set(stage.laser.laser_model.lines.filter(wavelength_nm=532))
    return tip


@pytest.fixture
def desk(stage) -> Caller:
    return sign_in(Role.FRONT_DESK, clinic=stage.clinic)


def allow(stage: Stage, minutes: int) -> None:
    stage.chain.search_policy = {"changeover_minutes": minutes}
    stage.chain.save()


def booking(stage: Stage, *, course, start, tip, nm) -> dict:
    return {
        "course": course.pk,
        "start": start.isoformat(),
        "clinic": stage.clinic.pk,
        "room": stage.room.pk,
        "operator": stage.operator.pk,
        "laser": stage.laser.pk,
        "handpieces": [tip.pk],
        "wavelengths_nm": [nm],
        "minutes": 30,
    }


def book_two(desk: Caller, stage: Stage, *, second_tip, nm, after: int):
    """A visit at ten, and another on the same laser so many minutes after its end."""
    first = booking(stage, course=stage.course, start=TOMORROW_TEN, tip=stage.handpiece, nm=1064)
    assert desk.post("/appointments", first, key="a").status_code == 201
    second = booking(
        stage,
        course=make_running_course(stage.clinic),
        start=TOMORROW_TEN + timedelta(minutes=30 + after),
        tip=second_tip,
        nm=nm,
    )
    return desk.post("/appointments", second, key="b")


def test_another_handpiece_right_after_is_refused_like_a_taken_slot(desk, stage, green_tip):
    allow(stage, 10)
    refused = book_two(desk, stage, second_tip=green_tip, nm=532, after=5)
    assert_problem(refused, 409, "slot_taken")


def test_another_handpiece_after_the_changeover_is_booked(desk, stage, green_tip):
    allow(stage, 10)
    assert book_two(desk, stage, second_tip=green_tip, nm=532, after=10).status_code == 201


def test_the_same_handpiece_follows_at_once(desk, stage):
    allow(stage, 10)
    assert book_two(desk, stage, second_tip=stage.handpiece, nm=1064, after=0).status_code == 201


def test_without_a_policy_nothing_is_kept_free(desk, stage, green_tip):
    assert book_two(desk, stage, second_tip=green_tip, nm=532, after=0).status_code == 201


def search(desk: Caller, course) -> dict:
    start = timezone.now()
    body = {
        "course": course.pk,
        "start": start.isoformat(),
        "end": (start + timedelta(days=3)).isoformat(),
    }
    return desk.post("/slot-searches", body).json()


def test_a_visit_with_two_wavelengths_is_longer_by_the_changeover(desk, stage, green_tip):
    tattoo = stage.course.tattoos.get()
    tattoo.parts.update(share=0.5)
    TattooPart.objects.create(
        tattoo=tattoo, colour=InkColour.RED, technique=Technique.OUTLINE, share=0.5
    )
    plain = search(desk, stage.course)["minutes"]
    allow(stage, 10)
    found = search(desk, stage.course)
    assert found["minutes"] == plain + 10
    assert found["slots"]


def test_a_visit_with_one_wavelength_is_not(desk, stage):
    plain = search(desk, stage.course)["minutes"]
    allow(stage, 10)
    assert search(desk, stage.course)["minutes"] == plain


def test_more_than_an_hour_is_refused_as_a_policy(stage):
    manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
    answer = manager.patch(
        "/chain", {"search_policy": {"changeover_minutes": 61}}, version=manager.etag("/chain")
    )
    assert answer.status_code in {400, 422}
