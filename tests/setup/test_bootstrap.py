"""`.venv` and its packages: made once, made anew when Python or the lock changes."""

import json
import sys

import pytest

from config import bootstrap

STUB = """#!/bin/sh
if [ "$1" = -c ]; then echo "{version}"; exit 0; fi
echo "$@" >> "{calls}"
echo "Collecting one==1.0"
exit {code}
"""


@pytest.fixture
def project(tmp_path, monkeypatch):
    (tmp_path / "requirements").mkdir()
    for name in bootstrap.SETS:
        (tmp_path / "requirements" / f"{name}.txt").write_text(f"{name}==1.0 \\\n")
    monkeypatch.setattr(bootstrap, "PROJECT", str(tmp_path))
    monkeypatch.setattr(bootstrap, "VENV", str(tmp_path / ".venv"))
    monkeypatch.setattr(bootstrap, "STAMP", str(tmp_path / ".venv" / "installed.json"))
    return tmp_path


@pytest.fixture
def pip(project):
    """A stand-in for the Python in `.venv` that only notes what it is asked to do."""
    calls = project / "calls"

    def stand_in(*, version=f"{sys.version_info[0]}.{sys.version_info[1]}", code=0):
        python = project / ".venv" / "bin" / "python"
        python.parent.mkdir(parents=True, exist_ok=True)
        python.write_text(STUB.format(version=version, calls=calls, code=code))
        python.chmod(0o755)
        return lambda: calls.read_text().splitlines() if calls.exists() else []

    return stand_in


def test_an_old_python_is_told_in_a_sentence(monkeypatch):
    monkeypatch.setattr(bootstrap.sys, "version_info", (3, 10, 2))
    with pytest.raises(bootstrap.Trouble, match=r"needs Python 3\.11 or newer.*\n.*PYTHON="):
        bootstrap.refuse_old_python()


def test_installs_once_and_not_again_while_the_lock_is_unchanged(pip):
    calls = pip()
    bootstrap.install("local")
    bootstrap.install("local")
    assert len(calls()) == 1
    assert "--require-hashes" in calls()[0]


def test_installs_again_when_the_lock_changes(pip, project):
    calls = pip()
    bootstrap.install("local")
    (project / "requirements" / "local.txt").write_text("local==2.0 \\\n")
    bootstrap.install("local")
    assert len(calls()) == 2


def test_the_larger_set_holds_the_smaller(pip):
    calls = pip()
    bootstrap.install("dev")
    bootstrap.install("local")
    assert len(calls()) == 1


def test_a_failed_install_is_told_and_tried_again(pip):
    calls = pip(code=1)
    for _ in range(2):
        with pytest.raises(bootstrap.Trouble, match="could not be installed"):
            bootstrap.install("local")
    assert len(calls()) == 2


def test_a_venv_of_this_python_is_kept(pip, project):
    pip()
    kept = project / ".venv" / "kept"
    kept.touch()
    bootstrap.make_venv()
    assert kept.exists()


def test_a_venv_of_another_python_is_made_anew(pip, project):
    pip(version="3.5")
    kept = project / ".venv" / "kept"
    kept.touch()
    bootstrap.make_venv()
    assert not kept.exists()
    assert json.dumps(bootstrap.installed()) == "{}"
