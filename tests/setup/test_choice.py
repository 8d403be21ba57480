"""Named servers first, then servers of our own."""

import os

import psycopg
import pytest
import redis

from config.servers.choice import forget, servers
from config.servers.errors import ServerTrouble
from config.servers.folders import folders_of, held, outside_folder, state_folder
from config.servers.identity import Identity, server_identity
from config.servers.ports import any_free_port, port_is_free

pytestmark = pytest.mark.slow


def port_of(url):
    return int(url.rpartition(":")[2].partition("/")[0])


def test_servers_of_our_own_serve_and_are_gone_afterwards(state):
    said = []
    with servers(state, folder_name="run", lasting=False, say=said.append) as addresses:
        with psycopg.connect(addresses.database_url) as link:
            assert link.execute("SELECT 1").fetchone() == (1,)
        with redis.Redis.from_url(addresses.redis_url) as link:
            assert link.ping()
    assert port_is_free(port_of(addresses.database_url))
    assert port_is_free(port_of(addresses.redis_url))
    assert len(said) == 2


def test_named_servers_win_and_nothing_is_started(state, postgres, redis_server, monkeypatch):
    postgres.start()
    redis_server.start()
    monkeypatch.setenv("DATABASE_URL", postgres.url)
    monkeypatch.setenv("REDIS_URL", redis_server.url)
    said = []
    with servers(state, folder_name="run", lasting=False, say=said.append) as addresses:
        assert addresses.database_url == postgres.url
        assert addresses.redis_url == redis_server.url
    assert "DATABASE_URL" in said[0]
    assert "REDIS_URL" in said[1]
    assert folders_of(state, name="run") == []


def test_a_named_database_that_is_away_gives_a_sentence(state, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", f"postgres://fallow@127.0.0.1:{any_free_port()}/fallow")
    with (
        pytest.raises(ServerTrouble, match="DATABASE_URL cannot be reached"),
        servers(state, folder_name="run", lasting=False, say=print),
    ):
        pass


def test_a_database_started_here_is_stopped_when_the_named_redis_is_away(state, monkeypatch):
    monkeypatch.setenv("REDIS_URL", f"redis://127.0.0.1:{any_free_port()}/0")
    with (
        pytest.raises(ServerTrouble, match="REDIS_URL cannot be reached"),
        servers(state, folder_name="run", lasting=False, say=print),
    ):
        pass
    made = [folder / "postgres" for folder in folders_of(state, name="run")]
    assert any((data / "PG_VERSION").exists() for data in made)
    assert not any((data / "postmaster.pid").exists() for data in made)


def test_forgetting_stops_what_a_killed_run_left_and_deletes_its_data(state, base, postgres):
    postgres.start()
    forget(state, name=base.name)
    assert not base.exists()
    assert port_is_free(postgres.port)


def test_a_second_run_in_the_same_folder_is_refused(tmp_path):
    lock = tmp_path / "run.lock"
    with (
        held(lock, problem="Running.", mend="Stop it."),
        pytest.raises(ServerTrouble, match=r"Running\. Stop it\."),
        held(lock, problem="Running.", mend="Stop it."),
    ):
        pass
    with held(lock, problem="Running.", mend="Stop it."):
        pass


@pytest.mark.skipif(os.geteuid() != 0, reason="only root starts servers as another user")
def test_a_folder_that_only_root_may_enter_is_stood_in_for(state):
    closed = state / "closed"
    closed.mkdir(mode=0o700)
    used = state_folder(closed, name="run", identity=server_identity())
    assert used == outside_folder(closed) / "run"
    forget(closed, name="run")
    assert not outside_folder(closed).exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can make another's folder")
def test_a_stand_in_that_belongs_to_somebody_else_is_refused(state):
    stranger = outside_folder(state)
    stranger.mkdir()
    os.chown(stranger, 65534, 65534)
    with pytest.raises(ServerTrouble, match="belongs to somebody else"):
        state_folder(state, name="run", identity=Identity(uid=1, gid=1))
