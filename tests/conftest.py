"""What every test stands on."""

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

from tests.support.emptying import flush_growing_tables_too
from tests.support.walls import answer_behind_the_wall

# A busy machine is slow, not wrong: time is measured in bench/.
# Where a change is judged, the same draws each time; elsewhere new ones, which find new cases.
settings.register_profile("fallow", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("fallow")


@pytest.fixture(scope="session", autouse=True)
def _flush_growing_tables_too() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        flush_growing_tables_too(patch)
        yield


@pytest.fixture(scope="session", autouse=True)
def _answer_behind_the_wall() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        answer_behind_the_wall(patch)
        yield
