"""One line and one count for each request, which say nothing of whom it was about."""

import json
import logging

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from clinics.vocabulary import Role
from config.logs import JsonFormatter
from core.errors import Busy
from core.request_id import RequestIdFilter
from courses.channels import LinkPurpose, link_token
from tests.support.api import sign_in

pytestmark = pytest.mark.django_db
SECRET = "kept-by-the-watcher"


def lines(caplog) -> list[dict]:
    told = []
    for record in caplog.records:
        if record.name == "fallow.requests":
            RequestIdFilter().filter(record)
            told.append(json.loads(JsonFormatter().format(record)))
    return told


def counts(client) -> dict[tuple[str, str, str], float]:
    told = client.get("/api/v1/metrics", headers={"Authorization": f"Bearer {SECRET}"})
    assert told.status_code == 200
    # Read by the parser of a library, not by one of ours.
    families = {one.name: one for one in text_string_to_metric_families(told.content.decode())}
    return {
        (sample.labels["method"], sample.labels["route"], sample.labels["status"]): sample.value
        for sample in families["fallow_request_seconds"].samples
        if sample.name.endswith("_count")
    }


def test_a_line_is_one_object_with_what_can_be_searched(client, caplog):
    with caplog.at_level(logging.INFO, logger="fallow.requests"):
        client.get("/api/v1/health")
    [line] = lines(caplog)
    assert (line["method"], line["route"], line["status"]) == ("GET", "/api/v1/health", 200)
    assert line["ms"] >= 0
    assert line["level"] == "info"
    assert {"at", "logger", "request_id", "message"} <= line.keys()


def test_a_line_has_the_pattern_of_the_address_and_neither_key_nor_question(client, caplog):
    with caplog.at_level(logging.INFO, logger="fallow.requests"):
        client.get("/api/v1/patients/4711?name=Quillfeather")
    [line] = lines(caplog)
    assert "4711" not in json.dumps(line)
    assert "Quillfeather" not in json.dumps(line)
    assert line["route"] == "/api/v1/patients/<pk>"


def test_a_line_says_which_member_of_staff_asked(caplog):
    with caplog.at_level(logging.INFO, logger="fallow.requests"):
        caller = sign_in(Role.FRONT_DESK)
        caller.get("/clinics")
    [line] = lines(caplog)
    assert (line["staff"], line["chain"]) == (caller.staff.pk, caller.staff.chain_id)


def test_requests_are_counted_by_pattern_and_status(client, settings):
    settings.FALLOW_METRICS_TOKEN = SECRET
    kinds = {
        "fine": ("GET", "/api/v1/health", "200"),
        "unknown": ("GET", "/api/", "404"),
        "strange": ("other", "/api/v1/health", "405"),
    }
    before = counts(client)
    client.get("/api/v1/health")
    client.get("/api/v1/nowhere/1")
    client.get("/api/v1/nowhere/2")
    client.generic("BREW", "/api/v1/health")
    after = counts(client)
    grown = {name: after[key] - before.get(key, 0) for name, key in kinds.items()}
    assert grown == {"fine": 1, "unknown": 2, "strange": 1}


@pytest.mark.parametrize(("fault", "status"), [(RuntimeError, 500), (Busy, 503)])
def test_what_failed_is_told_without_its_address_which_may_open_something(
    caplog, monkeypatch, fault, status
):
    def fails(*_, **__):
        raise fault

    monkeypatch.setattr("courses.api.reply_links.message_chain", fails)
    token = link_token(4711, purpose=LinkPurpose.REPLY)
    with caplog.at_level(logging.INFO):
        answer = Client(raise_request_exception=False).get(f"/r/{token}")
    assert answer.status_code == status
    told = [record for record in caplog.records if record.name == "django.request"]
    assert [record.levelname for record in told] == ["ERROR"]
    assert token not in caplog.text
    assert "^r/" in told[0].getMessage()
