"""Every endpoint says who may use it, in words of the policy table."""

import inspect
import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.conf import settings
from django.urls import URLPattern, URLResolver, get_resolver
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView

from clinics.policy import POLICY
from core.api.permissions import PUBLIC, PolicyPermission, policy_of
from core.api.serializers import WholePartIn
from core.api.throttling import DEFAULT_SCOPE
from tests.support.operations import operations

OPEN_TO_EVERYONE = {
    "Live",
    "Ready",
    "OpenApiView",
    "DocsView",
    "ProblemType",
    "TokenView",
    "LoginView",
    "SessionView",
    "CodeView",
    "CalendarView",
    "DeliveryReportTakeView",
    "MessageHealthView",
    "MetricsView",
    "LostView",
    "ReplyPage",
    "ReplyBookView",
    "ReplyLaterView",
    "ReplyStopView",
    "UnsubscribeView",
}
"""Endpoints that need no credential. A new one is added here on purpose."""

NOT_OF_THE_API = ("admin/", "static/")


def endpoints(patterns: list[Any], prefix: str = "") -> Iterator[tuple[str, URLPattern]]:
    for pattern in patterns:
        address = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from endpoints(pattern.url_patterns, address)
        elif not address.lstrip("^").startswith(NOT_OF_THE_API):
            yield address, pattern


ENDPOINTS = [
    pytest.param(pattern.callback, id=address)
    for address, pattern in endpoints(get_resolver("config.urls").url_patterns)
]


def actions(callback: Any) -> dict[str, str]:
    """Method -> action (for a plain view the method itself)."""
    methods = set(callback.cls.http_method_names) - {"head", "options", "trace"}
    mapped = getattr(callback, "actions", None)
    if mapped:
        return {method: action for method, action in mapped.items() if method in methods}
    return {method: method for method in methods if hasattr(callback.cls, method)}


def is_page(callback: Any) -> bool:
    """A plain function of Django, such as the page for an unknown address."""
    return not hasattr(callback, "cls")


def test_there_are_endpoints():
    assert len(ENDPOINTS) > 40


@pytest.mark.parametrize("callback", ENDPOINTS)
def test_each_action_has_a_known_policy(callback):
    if is_page(callback):
        assert callback.__module__ == "core.api.problems"
        return
    assert issubclass(callback.cls, APIView)
    view = type("Bound", (callback.cls,), getattr(callback, "initkwargs", {}))
    for action in actions(callback).values():
        key = policy_of(view, action)
        assert key == PUBLIC or key in POLICY, f"{callback.cls.__name__}.{action}: {key}"
        if key == PUBLIC:
            assert callback.cls.__name__ in OPEN_TO_EVERYONE


@pytest.mark.parametrize("callback", ENDPOINTS)
def test_each_asks_the_policy(callback):
    if not is_page(callback):
        classes = callback.initkwargs.get("permission_classes", callback.cls.permission_classes)
        assert classes
        assert all(issubclass(permission, PolicyPermission) for permission in classes)


def test_no_policy_is_left_of_an_action_that_is_gone():
    declared: dict[type, set[str]] = {}
    for [callback] in (param.values for param in ENDPOINTS):
        if not is_page(callback):
            declared.setdefault(callback.cls, set()).update(actions(callback).values())
    left = {
        view.__name__: sorted(set(view.policy) - used)
        for view, used in declared.items()
        if set(view.policy) - used
    }
    assert left == {}


def test_each_quota_has_a_rate():
    rates = settings.REST_FRAMEWORK["DEFAULT_THROTTLE_RATES"]
    scopes = set()
    for [callback] in (param.values for param in ENDPOINTS):
        view = getattr(callback, "cls", None)
        scopes |= {getattr(view, "throttle_scope", None) or DEFAULT_SCOPE}
        scopes |= set(getattr(view, "throttle_scopes", {}).values())
    assert {DEFAULT_SCOPE, "booking", "sign_in", "slot_search"} <= scopes <= set(rates)


def said_in(cls: type, action: str, seen: frozenset[str] = frozenset()) -> str:
    """The source of an action and of what it asks of its own view."""
    method = getattr(cls, action, None)
    if action in seen or not inspect.isfunction(method):
        return ""
    source = inspect.getsource(method)
    called = set(re.findall(r"self\.([a-z_]+)\(", source))
    return source + "".join(said_in(cls, one, seen | {action}) for one in called)


@pytest.mark.parametrize("callback", [one for one in ENDPOINTS if not is_page(one.values[0])])
def test_the_version_that_an_action_looks_at_is_declared(callback):
    cls = callback.cls
    for method, action in actions(callback).items():
        if method in {"put", "patch", "delete", "get"}:
            continue
        source = said_in(cls, action)
        needed = bool(re.search(r"(?<!\w)expected_version\((?:self\.)?request", source))
        assert (action in getattr(cls, "conditional", ())) is needed, action
        heeded = "version_if_given(" in source
        assert (action in getattr(cls, "conditional_if_told", ())) is heeded, action


def test_parts_of_what_is_changed_are_given_whole():
    loose = [
        f"{operation.name} {name}"
        for operation in operations()
        if operation.method == "PATCH" and operation.body is not None
        for name, one in operation.body.fields.items()
        for part in [getattr(one, "child", one)]
        if isinstance(part, BaseSerializer) and not one.read_only
        if not isinstance(part, WholePartIn)
    ]
    assert loose == []
