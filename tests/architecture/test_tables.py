"""What the database itself keeps, for each table of its kind."""

from django.apps import apps
from django.db import connection

from core.models import AppendOnly
from tests.architecture.sources import APPS

MODELS = [model for app in APPS for model in apps.get_app_config(app).get_models()]


def triggers(table: str) -> set[str]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgname FROM pg_trigger WHERE tgrelid = %s::regclass AND NOT tgisinternal",
            [table],
        )
        return {name for (name,) in cursor.fetchall()}


def test_each_ledger_refuses_changes(db):
    ledgers = [model for model in MODELS if issubclass(model, AppendOnly)]
    assert ledgers
    for model in ledgers:
        table = model._meta.db_table
        assert {f"{table}_only_grows", f"{table}_only_grows_truncate"} <= triggers(table), table


def test_constraints_and_indexes_are_named_after_their_table():
    named = {
        (model._meta.model_name, held.name)
        for model in MODELS
        for held in (*model._meta.constraints, *model._meta.indexes)
    }
    assert named
    assert [name for model, name in sorted(named) if not name.startswith(model)] == []


def test_constraint_names_are_used_once():
    names = [held.name for model in MODELS for held in model._meta.constraints]
    assert len(names) == len(set(names))
