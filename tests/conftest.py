"""What every test stands on."""

from collections.abc import Iterator

import pytest

from tests.support.emptying import flush_growing_tables_too


@pytest.fixture(scope="session", autouse=True)
def _flush_growing_tables_too() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        flush_growing_tables_too(patch)
        yield
