"""The demonstration under test: its credentials, and a digest of all its rows."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from django.apps import apps
from django.db import connection, transaction
from rest_framework.test import APIClient

from clinics.access import Actor, actor_for
from clinics.models import StaffMember
from tests.support.api import Caller
from tests.support.factories import now

LOADED_AT = datetime(2026, 3, 10, 9, 40, tzinfo=UTC)  # a Tuesday
PATIENTS = 40
APPS = ("clinics", "devices", "courses")
CLOCK = {"created_at", "updated_at"}
# These hold what CLOCK leaves out: a digest of the ledger covers when its entry was written.
OF_CLOCK = {"previous", "digest"}
HISTORY = {"clinics.Change"}
"""Tells of the writing, in its order, not of what is there."""


@dataclass(frozen=True)
class Demonstration:
    """A loaded demonstration and the credentials it wrote."""

    path: Path
    credentials: list[dict[str, str]]

    def actor(self, role: str) -> Actor:
        """Who holds the role, as services see them."""
        [shown, *_] = [one for one in self.credentials if one["role"] == role]
        staff = StaffMember.objects.get(user__username=shown["user_name"])
        return actor_for(staff.user_id, now=now())

    def caller(self, shown: dict[str, str]) -> Caller:
        """Who calls with one of the tokens."""
        caller = Caller()
        caller.client = APIClient(raise_request_exception=True)
        caller.client.credentials(HTTP_AUTHORIZATION=f"Bearer {shown['token']}")
        return caller


def unit() -> transaction.Atomic:
    """A transaction in which, as in a TestCase, a command may open the outermost of its own."""
    opened = transaction.atomic()
    opened._from_testcase = True
    return opened


def restart_keys() -> None:
    """Let every table count its keys from 1: the tables are empty."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT format('%I.%I', schemaname, sequencename) FROM pg_sequences "
            "WHERE schemaname = 'public'"
        )
        for (name,) in cursor.fetchall():
            cursor.execute("SELECT setval(%s, 1, false)", [name])


def digest(*, without: Iterable[str] = ()) -> str:
    """SHA-256 over every row of the apps, without the times at which rows were written."""
    left_out = {*CLOCK, *OF_CLOCK, *without}
    found = hashlib.sha256()
    for app in APPS:
        for model in apps.get_app_config(app).get_models(include_auto_created=True):
            if model._meta.label in HISTORY:
                continue
            names = [
                field.attname for field in model._meta.concrete_fields if field.name not in left_out
            ]
            for row in model.objects.order_by("pk").values_list(*names):
                plain = [bytes(one) if isinstance(one, memoryview) else one for one in row]
                found.update(f"{model._meta.label}{plain!r}".encode())
    return found.hexdigest()
