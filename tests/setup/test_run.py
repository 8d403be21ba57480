"""`make run` for real: everything up, Ctrl-C, everything down, the same data again."""

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from contextlib import contextmanager

import psycopg
import pytest

from config.local.places import PROJECT
from config.servers.choice import servers
from config.servers.folders import folders_of
from config.servers.ports import LOOPBACK, any_free_port, port_is_free

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
READY = "Ctrl-C stops all of it"


def command(state, *arguments):
    return {
        "args": [sys.executable, "-m", "config.local", *arguments],
        "cwd": PROJECT,
        "env": {**os.environ, "FALLOW_STATE_DIR": str(state)},
        "text": True,
        "stdout": subprocess.PIPE,
        "stderr": subprocess.STDOUT,
    }


class Run:
    """A started service and what it has said so far."""

    def __init__(self, state, port):
        self.state = state
        self.said = ""
        self.process = subprocess.Popen(
            **command(state, "run", "--bare", "--port", str(port)), start_new_session=True
        )

    def until_ready(self):
        for line in self.process.stdout:
            self.said += line
            if READY in line:
                return
        pytest.fail(f"ended before it was ready:\n{self.said}")

    @property
    def base(self):
        return re.search(r"answers at (http://\S+)/api/v1/", self.said)[1]

    @property
    def database_url(self):
        addresses = (self.state / "run" / "addresses.env").read_text()
        return re.search(r"DATABASE_URL='(.*)'", addresses)[1]

    def end(self, how=signal.SIGINT):
        """As a terminal does it: the signal goes to the whole foreground group."""
        os.killpg(self.process.pid, how)
        self.said += self.process.stdout.read()
        return self.process.wait()


@contextmanager
def running(state, *, port):
    service = Run(state, port)
    try:
        service.until_ready()
        yield service
    finally:
        if service.process.poll() is None:
            service.end()
        service.process.stdout.close()


def status_of(url):
    try:
        with urllib.request.urlopen(url, timeout=10) as answer:
            return answer.status
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code


def port_in(url):
    return int(re.search(r"127\.0\.0\.1:(\d+)", url)[1])


def test_serves_stops_on_ctrl_c_and_goes_on_with_the_same_data(state):
    with running(state, port=any_free_port()) as first:
        assert status_of(f"{first.base}/nowhere") == 404
        database = first.database_url
        assert status_of(f"{first.base}/api/v1/health/ready") == 200
        with psycopg.connect(database, autocommit=True) as link:
            link.execute("CREATE TABLE kept AS SELECT 42 AS value")
            # The web server has no rights of the owner to take back.
            named = "SELECT count(*) > 0 FROM pg_stat_activity WHERE usename = 'fallow_web'"
            assert link.execute(named).fetchone() == (True,)
        assert first.end() == 0
    assert port_is_free(port_in(first.base))
    assert port_is_free(port_in(database))
    assert "Traceback" not in first.said
    with running(state, port=any_free_port()) as second:
        with psycopg.connect(second.database_url) as link:
            assert link.execute("SELECT value FROM kept").fetchone() == (42,)
        assert second.end(signal.SIGTERM) == 0


def test_a_taken_port_and_a_second_run_are_told(state):
    with socket.socket() as holder:
        holder.bind((LOOPBACK, 0))
        holder.listen()
        taken = holder.getsockname()[1]
        with running(state, port=taken) as first:
            assert port_in(first.base) != taken
            assert f"Port {taken} is taken" in first.said
            refused = subprocess.run(**command(state, "run", "--bare"), check=False, timeout=60)
            assert refused.returncode == 1
            assert "running here already" in refused.stdout
            busy = subprocess.run(**command(state, "reset"), check=False, timeout=60)
            assert "Stop it with Ctrl-C first" in busy.stdout
    done = subprocess.run(**command(state, "reset"), check=True, timeout=60)
    assert "Forgotten" in done.stdout
    assert folders_of(state, name="run") == []


def test_ctrl_c_before_it_is_ready_leaves_no_server_behind(state):
    service = Run(state, any_free_port())
    for line in service.process.stdout:
        service.said += line
        if "Bringing the database up to date" in line:
            break
    service.end()
    assert service.process.returncode != 0
    assert "Traceback" not in service.said.partition("manage.py")[0]
    for folder in folders_of(state, name="run"):
        assert not (folder / "postgres" / "postmaster.pid").exists()
    service.process.stdout.close()


def test_a_run_that_was_killed_is_no_obstacle_to_the_next(state):
    with running(state, port=any_free_port()) as killed:
        database = killed.database_url
        left_behind = [int(pid) for pid in re.findall(r"started \(pid=(\d+)\)", killed.said)]
        killed.process.kill()
        killed.process.wait()
        for pid in left_behind:
            os.killpg(pid, signal.SIGKILL)
    with running(state, port=any_free_port()) as second:
        assert status_of(f"{second.base}/nowhere") == 404
        assert port_is_free(port_in(database))
        assert second.end() == 0


def test_damaged_data_are_told_in_one_sentence(state):
    with servers(state, folder_name="run", lasting=False, say=print):
        pass
    for folder in folders_of(state, name="run"):
        (folder / "postgres" / "PG_VERSION").unlink(missing_ok=True)
    refused = subprocess.run(**command(state, "run", "--bare"), check=False, timeout=60)
    assert refused.returncode == 1
    assert "is damaged." in refused.stdout
    assert "make reset" in refused.stdout
    assert "Traceback" not in refused.stdout
