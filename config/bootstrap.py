"""Making `.venv` and installing a locked set of packages; skipped while the lock is unchanged.

Run by whatever Python the machine has, so it keeps to the standard library and to syntax that an
old Python still reads, in order to say in one sentence that it is too old.
"""

import hashlib
import json
import os
import subprocess
import sys

OLDEST = (3, 11)
PROJECT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
VENV = os.path.join(PROJECT, ".venv")
STAMP = os.path.join(VENV, "installed.json")
# Each set holds those before it.
SETS = ("base", "local", "dev")


class Trouble(Exception):
    """Why nothing can be installed, and how to mend it."""


def main() -> int:
    """Install the set named by the first argument into `.venv`; returns the exit code."""
    chosen = sys.argv[1] if len(sys.argv) > 1 else "local"
    try:
        refuse_old_python()
        make_venv()
        install(chosen)
    except Trouble as trouble:
        sys.stderr.write("\n%s\n" % trouble)
        return 1
    except KeyboardInterrupt:
        return 130
    return 0


def say(line: str) -> None:
    """One line of progress, shown at once."""
    sys.stdout.write("  %s\n" % line)
    sys.stdout.flush()


def refuse_old_python() -> None:
    """Raise Trouble when this Python is older than the service needs."""
    if sys.version_info[:2] < OLDEST:
        raise Trouble(
            "Fallow needs Python %d.%d or newer, and this is %s (%s).\n"
            "Install one, or name it: make run PYTHON=/path/to/python3.13"
            % (OLDEST[0], OLDEST[1], sys.version.split()[0], sys.executable)
        )


def venv_python() -> str:
    """Path of the Python inside `.venv`."""
    return os.path.join(VENV, "bin", "python")


def make_venv() -> None:
    """Make `.venv`, anew when it is broken or of another Python version."""
    probe = "import sys; print('%d.%d' % sys.version_info[:2])"
    wanted = "%d.%d" % sys.version_info[:2]
    found = ""
    if os.path.exists(venv_python()):
        done = subprocess.run([venv_python(), "-c", probe], stdout=subprocess.PIPE, check=False)
        found = done.stdout.decode().strip()
    if found == wanted:
        return
    say("Making .venv with Python %s" % sys.version.split()[0])
    done = subprocess.run(
        [sys.executable, "-m", "venv", "--clear", VENV],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    if done.returncode:
        raise Trouble(
            "This Python cannot make a virtual environment: %s\n"
            "On Debian or Ubuntu: apt install python3-venv. Or name another Python: "
            "make run PYTHON=/path/to/python3" % last_line(done.stdout.decode())
        )


def lock_of(name: str) -> str:
    """Path of the lock file of a set."""
    return os.path.join(PROJECT, "requirements", name + ".txt")


def fingerprint(name: str) -> str:
    """Changes whenever the lock file of the set does."""
    with open(lock_of(name), "rb") as lock:
        return hashlib.sha256(lock.read()).hexdigest()


def installed() -> "dict[str, str]":
    """Fingerprints of the sets that `.venv` holds."""
    try:
        with open(STAMP) as stamp:
            return dict(json.load(stamp))
    except (OSError, ValueError):
        return {}


def install(name: str) -> None:
    """Install the locked set unless `.venv` holds it already; raises Trouble when pip fails."""
    if installed().get(name) == fingerprint(name):
        return
    with open(lock_of(name)) as lock:
        count = sum(1 for line in lock if "==" in line and not line.lstrip().startswith("#"))
    say("Installing up to %d locked packages; the first time takes a minute or two" % count)
    command = [
        *(venv_python(), "-m", "pip", "install", "--require-hashes", "--no-deps"),
        *("--disable-pip-version-check", "--no-input", "--progress-bar", "off"),
        *("--requirement", lock_of(name)),
    ]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=PROJECT
    ) as process:
        said = follow(process, count)
    if process.returncode:
        raise Trouble(
            "The packages could not be installed: %s\n"
            "Mend the connection to the package index (or pip's settings) and call make again."
            % last_line("".join(line for line in said if "ERROR" in line) or "".join(said))
        )
    stamps = installed()
    stamps.update({each: fingerprint(each) for each in SETS[: SETS.index(name) + 1]})
    with open(STAMP, "w") as stamp:
        json.dump(stamps, stamp)
    say("Packages are in place")


def follow(process: "subprocess.Popen[bytes]", count: int) -> "list[str]":
    """Show every tenth package as pip comes to it; gives back all that pip said."""
    said = []
    collected = 0
    for raw in process.stdout or ():
        line = raw.decode(errors="replace")
        said.append(line)
        if line.startswith("Collecting "):
            collected += 1
            if collected % 10 == 0:
                say("%3d of up to %d: %s" % (collected, count, line.split()[1]))
        elif line.startswith("Installing collected"):
            say("Unpacking them")
    return said


def last_line(text: str) -> str:
    """The last line that says something."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return lines[-1] if lines else "it said nothing."


if __name__ == "__main__":
    sys.exit(main())
