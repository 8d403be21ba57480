"""What every test stands on."""

from collections.abc import Iterator

import pytest
from hypothesis import settings

from tests.support.emptying import flush_growing_tables_too
from tests.support.walls import answer_behind_the_wall

# A busy machine is slow, not wrong: time is measured in bench/.
settings.register_profile("fallow", deadline=None)
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
