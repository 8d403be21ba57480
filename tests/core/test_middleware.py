"""Each answer, problem and log line carries the id of its request."""

import logging
from uuid import UUID

import pytest

from core.request_id import RequestIdFilter, current_request_id, request_id

pytestmark = pytest.mark.urls("tests.core.benches")


def test_a_callers_id_is_kept(client):
    told = client.get("/nowhere", headers={"X-Request-ID": "front-7.a"})
    assert told.headers["X-Request-ID"] == told.json()["request_id"] == "front-7.a"


@pytest.mark.parametrize("given", ["", "a b", "x" * 129, "a\tb", "<script>", "ä"])
def test_a_harmful_one_is_replaced(client, given):
    told = client.get("/nowhere", headers={"X-Request-ID": given})
    assert UUID(told.headers["X-Request-ID"])


def test_each_request_gets_its_own(client):
    ids = {client.get("/nowhere").headers["X-Request-ID"] for _ in range(3)}
    assert len(ids) == 3
    assert current_request_id() == ""


def record(**extra) -> logging.LogRecord:
    told = logging.makeLogRecord(extra)
    assert RequestIdFilter().filter(told)
    return told


def test_log_lines_carry_it():
    assert record().request_id == ""
    with request_id("front-7"):
        assert record().request_id == "front-7"


def test_the_last_line_that_django_writes_carries_it_too(client, caplog):
    with caplog.at_level(logging.WARNING, logger="django.request"):
        client.get("/nowhere", headers={"X-Request-ID": "front-8"})
    [line] = caplog.records
    assert record(request=line.request).request_id == "front-8"
