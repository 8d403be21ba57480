"""Each refusal has a code of its own and stands under one meaning."""

import re
from importlib import import_module

from core.api.problem_types import kinds
from core.api.translation import STATUS, status_of
from core.errors import DomainError
from tests.architecture.sources import modules, name_of

for _path in modules():
    if _path.stem == "errors" or "api" in _path.parts:
        import_module(
            name_of(_path).removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        )

OURS = [kind for kind in set(kinds(DomainError)) if not kind.__module__.startswith("tests.")]


def test_each_has_a_code_of_its_own():
    codes = [kind.code for kind in OURS]
    assert sorted(codes) == sorted(set(codes))
    assert all("code" in vars(kind) and "title" in vars(kind) for kind in OURS)


def test_codes_are_snake_case():
    assert [kind.code for kind in OURS if not re.fullmatch(r"[a-z]+(_[a-z]+)*", kind.code)] == []


def test_each_has_a_status():
    assert {status_of(kind) for kind in OURS} <= set(STATUS.values())


def test_each_is_explained():
    assert [kind.__name__ for kind in OURS if not (kind.__doc__ or "").strip()] == []
