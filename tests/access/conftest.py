"""The world that every operation is asked in: built once, each request taken back."""

from collections.abc import Iterator
from io import StringIO

import pytest
import time_machine
from django.core.management import call_command
from django.db import transaction

from tests.support import access_world
from tests.support.demo import LOADED_AT, restart_keys, unit

PATIENTS = 12


@pytest.fixture(scope="package")
def built(django_db_setup, django_db_blocker, tmp_path_factory) -> Iterator[access_world.World]:
    """In a transaction that stays open, and is rolled back after the last test."""
    path = tmp_path_factory.mktemp("access") / "credentials.json"
    with django_db_blocker.unblock(), time_machine.travel(LOADED_AT, tick=False):
        opened = unit()
        opened.__enter__()
        restart_keys()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("django.conf.settings.FALLOW_CREDENTIALS_FILE", path)
            call_command("load_demo", patients=PATIENTS, stdout=StringIO())
        world = access_world.build()
    yield world
    with django_db_blocker.unblock():
        transaction.set_rollback(True)
        opened.__exit__(None, None, None)


@pytest.fixture
def world(built, db) -> Iterator[access_world.World]:
    """The world, on the morning on which it was built."""
    with time_machine.travel(LOADED_AT, tick=False):
        yield built
