"""Rules that keep the service alike everywhere, read from its source."""

import ast

import pytest

from tests.architecture.sources import APPS, ROOT, calls, functions, modules, name_of, tree

MODULES = modules()


def places(name: str) -> set[str]:
    return {name_of(path) for path in MODULES if any(calls(path, name))}


def test_the_rules_look_at_the_service():
    assert len(MODULES) > 60
    assert {name_of(path).split("/")[0] for path in MODULES} == {*APPS, "config"}


def test_rows_are_locked_by_name_only():
    allowed = {f"{app}/locks.py" for app in APPS} | {"core/db.py"}
    assert places("select_for_update") <= allowed


def test_only_the_kernel_opens_transactions():
    assert places("atomic") == {"core/db.py"}


def test_effects_leave_after_the_commit_by_one_door():
    assert places("on_commit") == {"core/jobs.py"}
    senders = places("delay") | places("apply_async") | places("send_task")
    assert senders <= {"core/jobs.py"}


def test_imports_stand_at_the_top():
    hidden = [
        f"{name_of(path)}:{node.lineno}"
        for path in MODULES
        for function in functions(path)
        for node in ast.walk(function)
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    # It starts before the packages it would import are installed.
    assert [place for place in hidden if not place.startswith("config/bootstrap.py")] == []


def test_files_stay_short():
    folders = ("core", "clinics", "devices", "courses", "config", "tests", "bench")
    found = [path for folder in folders for path in (ROOT / folder).rglob("*.py")]
    long = {
        name_of(path): lines
        for path in found
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert long == {}


def test_functions_stay_short():
    long = {
        f"{name_of(path)}:{function.name}": length
        for path in MODULES
        for function in functions(path)
        if (length := (function.end_lineno or 0) - function.lineno + 1) > 60
    }
    assert long == {}


def test_no_module_is_a_drawer_for_everything():
    drawers = {"utils", "util", "helpers", "common", "misc"}
    named = {part for path in MODULES for part in path.relative_to(ROOT).with_suffix("").parts}
    assert named & drawers == set()


@pytest.mark.parametrize("path", modules(migrations=True), ids=name_of)
def test_migrations_import_no_app(path):
    """They see the tables as they were; only the kernel's operations are shared."""
    imported = {
        node.module
        for node in ast.walk(tree(path))
        if isinstance(node, ast.ImportFrom) and node.module
    }
    apps = {f"{app}." for app in APPS if app != "core"}
    assert [name for name in imported if any(name.startswith(app) for app in apps)] == []
