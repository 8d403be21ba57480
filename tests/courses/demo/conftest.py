"""A small demonstration, loaded once for all tests here, at a morning of its own."""

import json
from collections.abc import Iterator
from io import StringIO

import pytest
import time_machine
from django.core.management import call_command
from django.db import transaction

from tests.support.demo import LOADED_AT, PATIENTS, Demonstration, restart_keys, unit


@pytest.fixture(scope="package")
def loaded(django_db_setup, django_db_blocker, tmp_path_factory) -> Iterator[Demonstration]:
    """Loaded in a transaction that stays open, and is rolled back after the last test."""
    path = tmp_path_factory.mktemp("demo") / "credentials.json"
    with django_db_blocker.unblock(), time_machine.travel(LOADED_AT, tick=False):
        opened = unit()
        opened.__enter__()
        restart_keys()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("django.conf.settings.FALLOW_CREDENTIALS_FILE", path)
            call_command("load_demo", patients=PATIENTS, stdout=StringIO())
    yield Demonstration(path, json.loads(path.read_text()))
    with django_db_blocker.unblock():
        transaction.set_rollback(True)
        opened.__exit__(None, None, None)


@pytest.fixture
def demo(loaded, db) -> Iterator[Demonstration]:
    """The demonstration, on the morning on which it was loaded."""
    with time_machine.travel(LOADED_AT, tick=False):
        yield loaded
