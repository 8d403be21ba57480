"""Folders and programs for tests that start servers of their own."""

import shutil
from pathlib import Path

import pytest

from config.servers.folders import outside_folder, state_folder
from config.servers.identity import server_identity
from config.servers.postgres import LocalPostgres
from config.servers.redis import LocalRedis


@pytest.fixture
def state(tmp_path, monkeypatch):
    """An empty state folder; DATABASE_URL and REDIS_URL of the suite itself are out of the way."""
    monkeypatch.delenv("DATABASE_URL", raising=False)
    monkeypatch.delenv("REDIS_URL", raising=False)
    yield tmp_path
    shutil.rmtree(outside_folder(tmp_path), ignore_errors=True)


@pytest.fixture
def base(state) -> Path:
    """A folder that the servers' user may enter."""
    return state_folder(state, name="servers", identity=server_identity())


@pytest.fixture
def postgres(base):
    server = LocalPostgres(base=base, identity=server_identity(), lasting=False)
    yield server
    server.stop()


@pytest.fixture
def redis_server(base):
    server = LocalRedis(base=base, identity=server_identity())
    yield server
    server.stop()
