"""Booking tests run at the stage's own time, a Monday morning."""

from collections.abc import Iterator

import pytest
import time_machine

from tests.support.booking import NOW


@pytest.fixture
def time_machine_at_stage() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield
