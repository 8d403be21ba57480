"""A broker of our own, which tests may kill and empty."""

import shutil
from collections.abc import Iterator

import pytest

from config.servers.folders import outside_folder, state_folder
from config.servers.identity import server_identity
from config.servers.redis import LocalRedis


@pytest.fixture
def broker(tmp_path) -> Iterator[LocalRedis]:
    identity = server_identity()
    base = state_folder(tmp_path, name="servers", identity=identity)
    server = LocalRedis(base=base, identity=identity, lasting=False)
    server.start()
    yield server
    server.stop()
    shutil.rmtree(outside_folder(tmp_path), ignore_errors=True)
