"""Recalls are told the time; only what the database stamps itself needs the clock stopped."""

from collections.abc import Iterator

import pytest
import time_machine

from tests.support.recalls import TREATED_AT, Remembering, Scene, make_scene


@pytest.fixture
def scene(db) -> Scene:
    return make_scene()


@pytest.fixture
def way() -> Remembering:
    return Remembering()


@pytest.fixture
def at_treatment() -> Iterator[None]:
    with time_machine.travel(TREATED_AT, tick=False):
        yield
