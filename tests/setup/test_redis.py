"""A real Redis-compatible server of our own."""

import pytest
import redis

from config.servers.errors import ServerTrouble
from config.servers.identity import server_identity
from config.servers.ports import port_is_free
from config.servers.redis import LocalRedis

pytestmark = pytest.mark.slow


def client(server):
    return redis.Redis.from_url(server.url)


def test_keys_survive_a_second_start(redis_server):
    redis_server.start()
    with client(redis_server) as link:
        link.set("kept", "1")
    redis_server.stop()
    assert port_is_free(redis_server.port)
    redis_server.start()
    with client(redis_server) as link:
        assert link.get("kept") == b"1"


def test_nobody_gets_in_without_the_password(redis_server):
    redis_server.start()
    with (
        redis.Redis(port=redis_server.port) as link,
        pytest.raises(redis.AuthenticationError),
    ):
        link.ping()


def test_a_damaged_file_gives_a_sentence_and_its_deletion_mends_it(redis_server):
    redis_server.start()
    redis_server.stop()
    (redis_server.data / "dump.rdb").write_bytes(b"nonsense")
    with pytest.raises(ServerTrouble, match="Nothing that matters is lost by deleting"):
        redis_server.start()
    (redis_server.data / "dump.rdb").unlink()
    redis_server.start()


def test_a_server_left_by_a_killed_run_is_replaced(redis_server):
    redis_server.start()
    again = LocalRedis(base=redis_server.base, identity=server_identity())
    try:
        again.start()
        assert port_is_free(redis_server.port)
    finally:
        again.stop()


def test_restarts_on_the_same_address_after_a_power_cut(redis_server):
    redis_server.start()
    address = redis_server.url
    redis_server.kill()
    redis_server.start()
    assert redis_server.url == address
    with client(redis_server) as link:
        assert link.ping()
