"""Every header of an answer stands in the document, at that operation and status, and no other.

RFC 9110: Location (10.2.2, 15.3.2), ETag (8.8.3), WWW-Authenticate (11.6.1), Retry-After (10.2.3).
RFC 8288: Link.
"""

import json

import pytest
from rest_framework.settings import api_settings

from clinics.vocabulary import Role
from core.api.problem import MEDIA_TYPE
from core.api.problem_kinds import problem_kind
from tests.support.answer_headers import torn
from tests.support.api import Caller, anonymous
from tests.support.asking import ask
from tests.support.factories import make_membership, make_staff
from tests.support.operations import operations

pytestmark = pytest.mark.django_db

KEY = {"Idempotency-Key": "told by a test"}
STALE = '"999999"'


@pytest.fixture(autouse=True)
def rates(monkeypatch):
    """A quota that nobody uses up."""
    rates = dict.fromkeys(api_settings.DEFAULT_THROTTLE_RATES, "1000000/min")
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", rates)


@pytest.fixture
def everybody(world):
    """Somebody who holds every role in the whole chain."""
    staff = make_staff(world.chain, user=True)
    for role in Role:
        make_membership(staff, role)
    return Caller(staff)


class Heard:
    """What was wrong with answers, and of which statuses there were some."""

    def __init__(self):
        self.wrong = {}
        self.statuses = set()
        self.names = set()

    def of(self, operation):
        def keep(answer):
            self.statuses.add(answer.status_code)
            self.names |= set(answer.headers)
            found = torn(operation.answer(answer.status_code), answer.headers)
            counted = operation.view.throttle_classes and hasattr(answer, "accepted_renderer")
            if counted and "RateLimit" not in answer.headers:
                found.append("no quota is told")
            if answer.headers.get("Content-Type") == MEDIA_TYPE:
                code = json.loads(answer.content)["code"]
                found += [] if problem_kind(code) else [f"{code} leads to no page"]
            if found:
                self.wrong[f"{operation.name} {answer.status_code}"] = found

        return keep


def test_of_answers_to_everybody(world, everybody):
    heard = Heard()
    callers = (
        anonymous(),
        everybody,
        world.caller(Role.FRONT_DESK, world.away),
        world.caller(Role.FRONT_DESK, world.other.chain),
    )
    for one in operations():
        for caller in callers:
            ask(world, one, caller, keep=heard.of(one))
    assert heard.wrong == {}
    assert {200, 201, 202, 204, 400, 401, 403, 404, 409, 422} <= heard.statuses
    assert {"Link", "Location", "WWW-Authenticate", "Content-Disposition"} <= heard.names


@pytest.mark.parametrize(
    ("headers", "times", "status", "name"),
    [
        (KEY, 2, 201, "Idempotency-Replayed"),
        ({"If-None-Match": "*"}, 1, 304, "ETag"),
        ({"If-Match": STALE}, 1, 412, "X-Request-ID"),
        ({"If-Match": ""}, 1, 428, "X-Request-ID"),
        ({"Accept": "image/png"}, 1, 406, "X-Request-ID"),
        ({"Content-Type": "text/plain"}, 1, 415, "X-Request-ID"),
    ],
    ids=["repeated", "known", "stale", "unconditional", "unacceptable", "another_type"],
)
def test_of_answers_to(world, everybody, headers, times, status, name):
    heard = Heard()
    for one in operations():
        ask(world, one, everybody, headers=headers, times=times, keep=heard.of(one))
    assert heard.wrong == {}
    assert status in heard.statuses
    assert name in heard.names


def test_of_answers_beyond_the_quota(world, everybody, monkeypatch):
    rates = dict.fromkeys(api_settings.DEFAULT_THROTTLE_RATES, "0/min")
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", rates)
    heard = Heard()
    for one in operations():
        ask(world, one, everybody, keep=heard.of(one))
    assert heard.wrong == {}
    assert 429 in heard.statuses
    assert "Retry-After" in heard.names
