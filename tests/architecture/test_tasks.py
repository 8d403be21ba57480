"""Tasks are named after what they do, stay shells, and nobody calls one that is not there."""

import ast
import re
from functools import cache

import pytest
from celery import current_app
from django.conf import settings

from tests.architecture.sources import APPS, ROOT, calls, functions, modules, name_of

NAME = re.compile(rf"({'|'.join(APPS)})\.[a-z]+(_[a-z]+)+")


@cache
def task_names() -> frozenset[str]:
    current_app.loader.import_default_modules()
    current_app.autodiscover_tasks(force=True)
    return frozenset(name for name in current_app.tasks if not name.startswith("celery."))


def test_there_are_tasks():
    assert task_names()


def test_each_is_named_after_app_verb_and_noun():
    assert [name for name in sorted(task_names()) if not NAME.fullmatch(name)] == []


def test_each_stands_in_the_tasks_of_its_app():
    for name in task_names():
        module = current_app.tasks[name].__module__
        assert module.startswith(f"{name.split('.')[0]}.tasks"), name


def test_the_beat_wakes_only_tasks_that_are_there():
    woken = {entry["task"] for entry in settings.CELERY_BEAT_SCHEDULE.values()}
    assert woken <= task_names()


def test_only_tasks_that_are_there_are_enqueued():
    named = {
        call.args[0].value
        for path in modules()
        for call in calls(path, "enqueue")
        if call.args and isinstance(call.args[0], ast.Constant)
    }
    assert named <= task_names()


@pytest.mark.parametrize("app", APPS)
def test_they_are_shells_of_ten_lines(app):
    files = [path for path in modules() if path.parent == ROOT / app and path.name == "tasks.py"]
    files += sorted((ROOT / app / "tasks").glob("*.py"))
    for path in files:
        for function in functions(path):
            body = (function.end_lineno or 0) - function.body[0].lineno + 1
            assert body <= 10, f"{name_of(path)}:{function.name}"
