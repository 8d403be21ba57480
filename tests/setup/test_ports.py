import socket

import pytest

from config.servers.errors import ServerTrouble
from config.servers.ports import LOOPBACK, any_free_port, first_free_port, port_is_free


@pytest.fixture
def taken_port():
    with socket.socket() as holder:
        holder.bind((LOOPBACK, 0))
        holder.listen()
        yield holder.getsockname()[1]


def test_a_taken_port_is_not_free(taken_port):
    assert not port_is_free(taken_port)


def test_a_taken_port_gives_way_to_the_next_free_one(taken_port):
    assert taken_port < first_free_port(taken_port) < taken_port + 20


def test_when_all_ports_are_taken_the_sentence_says_how_to_choose(taken_port):
    with pytest.raises(ServerTrouble) as trouble:
        first_free_port(taken_port, tries=1)
    assert str(taken_port) in trouble.value.problem
    assert "make run PORT=" in trouble.value.mend


def test_any_free_port_can_be_listened_on():
    assert port_is_free(any_free_port())
