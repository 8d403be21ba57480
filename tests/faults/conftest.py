"""Servers of our own, which tests may kill and empty; their database is made once."""

from collections.abc import Iterator
from itertools import count

import pytest

from tests.support.web import Backing, backing
from tests.support.web_arena import manage

NUMBERS = count(1)


@pytest.fixture(scope="session")
def servers(tmp_path_factory) -> Iterator[Backing]:
    with backing(tmp_path_factory.mktemp("faults")) as own:
        manage("migrate", "--no-input", "-v0", environment=own.environment())
        yield own


@pytest.fixture
def own(servers, tmp_path) -> Backing:
    """The servers with an empty database."""
    return servers.copied(f"faults_{next(NUMBERS)}", folder=tmp_path)
