"""Re-plans are tested at the stage's own time, with two lasers, rooms and people."""

from collections.abc import Iterator

import pytest
import time_machine

from clinics.vocabulary import Role
from tests.support.api import Caller, sign_in
from tests.support.booking import (
    NOW,
    Stage,
    fit_handpiece,
    make_laser,
    make_operator,
    make_stage,
)
from tests.support.factories import make_room
from tests.support.replans import Broken, book_visits


@pytest.fixture(autouse=True)
def _at_stage_time() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def stage() -> Stage:
    return make_stage(days=100)


@pytest.fixture
def second(stage):
    """Another room, person and laser at the stage's clinic."""
    make_room(stage.clinic, cleared_wavelengths_nm=[532, 1064])
    make_operator(stage.clinic, days=100)
    laser = make_laser(stage.clinic)
    fit_handpiece(laser)
    return laser


@pytest.fixture
def broken(stage) -> Broken:
    """Three visits on a day on which the only laser is away."""
    return Broken(stage, book_visits(stage, 3))


@pytest.fixture
def desk(stage) -> Caller:
    return sign_in(Role.FRONT_DESK, clinic=stage.clinic)
