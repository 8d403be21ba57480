"""Each refusal has a code of its own and stands under one meaning."""

import ast
import re
from importlib import import_module

from rest_framework.exceptions import APIException

from clinics.api.sign_in.protocol import GONE, NEEDS_CODE, NEEDS_PROOF, NOT_SIGNED_IN, SAID
from config import unread
from core.api.problem_kinds import kinds, problem_kind
from core.api.translation import REST_CODES, STATUS, status_of
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


def codes_in_the_source():
    """What stands as `code=` where a problem is made."""
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            name = getattr(getattr(node, "func", None), "id", "")
            if isinstance(node, ast.Call) and name in {"Problem", "plain_problem"}:
                for word in node.keywords:
                    if word.arg == "code" and isinstance(word.value, ast.Constant):
                        yield word.value.value


def rest_codes(base=APIException):
    """Codes of what the framework and our views raise in its words."""
    for kind in base.__subclasses__():
        if not kind.__module__.startswith("tests."):
            yield REST_CODES.get(kind.default_code, kind.default_code)
        yield from rest_codes(kind)


def test_each_code_that_a_problem_can_have_has_a_page():
    told = {*codes_in_the_source(), *rest_codes(), *(kind.code for kind in OURS)}
    told |= {code for code, _ in (*unread.CODES.values(), unread.UNFORESEEN)}
    told |= {code for code, _ in (GONE, NEEDS_CODE, NEEDS_PROOF, NOT_SIGNED_IN, *SAID.values())}
    assert {"in_use", "throttled", "session_gone", "headers_too_large", "slot_taken"} <= told
    assert {code for code in told if problem_kind(code) is None} == set()
