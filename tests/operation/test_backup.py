"""The commands that docs/operation.md gives for backup and restore, run as they stand there."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
from django.apps import apps
from django.db import connection

from config.servers import binaries
from config.servers.binaries import find_postgres
from config.servers.folders import outside_folder, state_folder
from config.servers.identity import server_identity
from config.servers.postgres import LocalPostgres
from tests.support.booking import make_stage
from tests.support.database import database_url
from tests.support.ledger import make_chain_of, without_triggers

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True)]

PROJECT = Path(__file__).resolve().parents[2]
PAGE = PROJECT / "docs" / "operation.md"


@pytest.fixture
def programs(monkeypatch):
    """PostgreSQL's programs of the version of the server that the tests run on."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('server_version_num')::int / 10000")
        [major] = cursor.fetchone()
    found = find_postgres(major=major)
    monkeypatch.setattr(
        binaries, "_postgres_candidates", lambda: iter([(found.folder, found.bundled)])
    )
    return found.folder


@pytest.fixture
def elsewhere(tmp_path, programs):
    """Another server, which has never heard of this service."""
    identity = server_identity()
    base = state_folder(tmp_path, name="servers", identity=identity)
    server = LocalPostgres(base=base, identity=identity, lasting=False)
    server.start()
    yield server.url
    server.stop()
    shutil.rmtree(outside_folder(tmp_path), ignore_errors=True)


@pytest.fixture
def run(tmp_path, elsewhere, programs):
    places = [str(programs), str(Path(sys.executable).parent), os.environ["PATH"]]
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings.test",
        "DATABASE_URL": database_url(),
        "NEW_DATABASE_URL": elsewhere,
        "PATH": os.pathsep.join(places),
        "PYTHONPATH": str(PROJECT),
    }

    def block(name):
        [commands] = re.findall(rf"```sh\n# {name}\n(.*?)```", PAGE.read_text(), re.DOTALL)
        return subprocess.run(
            [
                "bash",
                "-euo",
                "pipefail",
                "-c",
                commands.replace("manage.py", f"{PROJECT}/manage.py"),
            ],
            check=False,
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
        )

    return block


def counted(url):
    """How many rows each table of the service has there."""
    tables = [
        model._meta.db_table
        for model in apps.get_models()
        # The framework's own lists of models, which each migration completes.
        if model._meta.label not in {"contenttypes.ContentType", "auth.Permission"}
    ]
    with psycopg.connect(url) as link:
        return {
            table: link.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0] for table in tables
        }


def guards(url):
    """Triggers, policies and constraints that stand there."""
    with psycopg.connect(url) as link:
        return link.execute("""
            SELECT 'trigger', tgrelid::regclass::text, tgname::text, tgenabled::text
            FROM pg_trigger WHERE NOT tgisinternal
            UNION SELECT 'policy', polrelid::regclass::text, polname::text, ''
            FROM pg_policy
            UNION SELECT 'constraint', conrelid::regclass::text, conname::text, convalidated::text
            FROM pg_constraint WHERE conrelid <> 0
            ORDER BY 1, 2, 3
        """).fetchall()


def test_what_is_restored_is_what_was_there_and_its_ledger_has_the_same_heads(run, elsewhere):
    make_stage()
    make_chain_of(5)
    make_chain_of(2)
    before = counted(database_url())

    saved = run("backup")
    assert saved.returncode == 0, saved.stderr
    restored = run("restore")
    assert restored.returncode == 0, restored.stderr

    assert counted(elsewhere) == before
    assert before["devices_pulseentry"] == 7
    assert guards(elsewhere) == guards(database_url())
    assert {kind for kind, *_ in guards(elsewhere)} == {"trigger", "policy", "constraint"}
    assert "7 entries, 0 broken" in restored.stdout

    again = run("restore")
    assert again.returncode != 0
    assert "already exists" in again.stderr


def test_a_backup_that_lost_the_end_of_a_ledger_is_told(run, tmp_path):
    laser = make_chain_of(3)
    assert run("backup").returncode == 0
    noted = (tmp_path / "heads.txt").read_text()
    with without_triggers() as sql:
        sql.execute(
            "DELETE FROM devices_pulseentry WHERE laser_id = %s AND sequence = 3", [laser.pk]
        )
    assert run("backup").returncode == 0
    (tmp_path / "heads.txt").write_text(noted)

    restored = run("restore")
    assert restored.returncode != 0
    assert "The ledger is not what was written." in restored.stderr
