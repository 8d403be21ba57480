"""The service's own source, read for the rules below."""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
APPS = ("core", "clinics", "devices", "courses")
PACKAGES = (*APPS, "config")


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def modules(*, migrations: bool = False) -> list[Path]:
    """Every module of the service; migrations only when asked for, and then nothing else."""
    found = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]
    return [path for path in found if ("migrations" in path.parts) == migrations]


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def calls(path: Path, name: str) -> Iterator[ast.Call]:
    """Calls of a function or a method with that name."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Call):
            called = node.func
            if getattr(called, "attr", getattr(called, "id", None)) == name:
                yield node


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node
