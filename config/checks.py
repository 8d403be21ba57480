"""`make check`: everything that can be said about the code without running its tests."""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from config import access_page
from config.local.places import PROJECT

DOCUMENT = PROJECT / "docs" / "openapi.yaml"
ACCESS = PROJECT / "docs" / "access.md"
BIN = Path(sys.executable).parent
TEST = {"DJANGO_SETTINGS_MODULE": "config.settings.test"}
# Values that production asks for; nothing is contacted.
PRODUCTION = {
    "DJANGO_SETTINGS_MODULE": "config.settings.production",
    "FALLOW_SECRET_KEY": "".join(chr(33 + 7 * place % 90) for place in range(64)),
    "FALLOW_ENCRYPTION_KEYS": "Y2hlY2tzLW9ubHktbm90LWEtc2VjcmV0LW5vdC1hLXM=",
    "FALLOW_INDEX_KEYS": "checks-only-not-a-secret",
    "FALLOW_ALLOWED_HOSTS": "fallow.example",
    "FALLOW_PUBLIC_URL": "https://fallow.example",
    "DATABASE_URL": "postgres://fallow@127.0.0.1:1/fallow",
    "REDIS_URL": "redis://127.0.0.1:1/0",
    "FALLOW_MAIL_HOST": "mail.example",
    "FALLOW_MAIL_FROM": "clinic@fallow.example",
}


@dataclass(frozen=True, slots=True)
class Check:
    """One command with what it needs in its environment."""

    name: str
    command: tuple[str, ...]
    environment: dict[str, str] = field(default_factory=dict)

    def passes(self) -> bool:
        """Run it, show its output only when it fails, and say whether it passed."""
        started = time.monotonic()
        done = subprocess.run(
            [str(BIN / self.command[0]), *self.command[1:]],
            check=False,
            cwd=PROJECT,
            env={**os.environ, **self.environment},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        passed = done.returncode == 0
        mark = "ok" if passed else "FAILED"
        print(f"  {self.name:<42} {mark} ({time.monotonic() - started:.1f} s)", flush=True)
        if not passed:
            print(done.stdout, flush=True)
        return passed


def checks() -> list[Check]:
    """All checks, cheapest first."""
    django = ("python", "-W", "ignore::RuntimeWarning", "manage.py")
    return [
        Check("format", ("ruff", "format", "--check", ".")),
        Check("lint", ("ruff", "check", ".")),
        Check("import contracts", ("lint-imports",)),
        Check("types", ("mypy",)),
        Check(
            "deployment settings",
            (*django, "check", "--deploy", "--fail-level", "WARNING"),
            PRODUCTION,
        ),
        # Compared with the migration files alone: no database is asked.
        Check("migrations", (*django, "makemigrations", "--check", "--dry-run"), TEST),
        Check("OpenAPI document", ("python", "-m", "config.checks", "openapi")),
        Check("table of access", ("python", "-m", "config.checks", "policy")),
    ]


def openapi(*, write: bool) -> int:
    """Compare the committed OpenAPI document with the code, or write it anew."""
    with tempfile.TemporaryDirectory() as folder:
        fresh = Path(folder) / "openapi.yaml"
        command = [sys.executable, "manage.py", "spectacular", "--validate", "--fail-on-warn"]
        made = subprocess.run(
            [*command, "--file", str(fresh)], check=False, cwd=PROJECT, env={**os.environ, **TEST}
        )
        if made.returncode:
            return made.returncode
        valid = subprocess.run([BIN / "openapi-spec-validator", str(fresh)], check=False)
        if valid.returncode:
            return valid.returncode
        if write:
            DOCUMENT.parent.mkdir(exist_ok=True)
            DOCUMENT.write_text(fresh.read_text())
            return 0
        if DOCUMENT.is_file() and DOCUMENT.read_text() == fresh.read_text():
            return 0
    print(f"{DOCUMENT.relative_to(PROJECT)} differs from the code; if meant: make openapi")
    return 1


def policy(*, write: bool) -> int:
    """Compare the committed page of who may do what with the policy table, or write it anew."""
    fresh = access_page.page(DOCUMENT)
    if write:
        ACCESS.write_text(fresh)
        return 0
    if ACCESS.is_file() and ACCESS.read_text() == fresh:
        return 0
    print(f"{ACCESS.relative_to(PROJECT)} differs from the policy table; if meant: add --write")
    return 1


def main() -> int:
    """Run all checks, or one about a document that is made from code; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m config.checks", description=__doc__)
    parser.add_argument("only", nargs="?", choices=sorted(MADE))
    parser.add_argument("--write", action="store_true", help="write the document anew")
    chosen = parser.parse_args()
    if chosen.only:
        return MADE[chosen.only](write=chosen.write)
    failed = [check.name for check in checks() if not check.passes()]
    if failed:
        print(f"\nFailed: {', '.join(failed)}")
    return int(bool(failed))


MADE: Final = {"openapi": openapi, "policy": policy}

if __name__ == "__main__":
    sys.exit(main())
