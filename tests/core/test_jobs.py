"""Tasks leave after the commit or not at all, and a broker that is down stops nobody."""

import logging

import pytest
from celery import current_app
from kombu.exceptions import OperationalError as BrokerError

from core import jobs
from core.db import unit


@pytest.fixture
def sent(monkeypatch) -> list[tuple[str, dict]]:
    told: list[tuple[str, dict]] = []
    monkeypatch.setattr(
        current_app, "send_task", lambda name, kwargs: told.append((name, kwargs)), raising=False
    )
    monkeypatch.setattr(jobs, "current_app", current_app)
    return told


def test_a_task_is_sent_after_the_commit(transactional_db, sent):
    def work():
        jobs.enqueue("benches.plan_notices", hold_id=7)
        assert sent == []

    unit(work)
    assert sent == [("benches.plan_notices", {"hold_id": 7})]


def test_nothing_is_sent_when_the_command_fails(transactional_db, sent):
    def work():
        jobs.enqueue("benches.plan_notices", hold_id=7)
        raise LookupError

    with pytest.raises(LookupError):
        unit(work)
    assert sent == []


@pytest.mark.parametrize("error", [BrokerError("no broker"), ConnectionRefusedError("no broker")])
def test_a_missing_broker_is_logged_and_nothing_is_raised(
    transactional_db, monkeypatch, caplog, error
):
    def away(*args, **kwargs):
        raise error

    monkeypatch.setattr(jobs, "current_app", type("Away", (), {"send_task": staticmethod(away)}))
    with caplog.at_level(logging.WARNING, logger="core.jobs"):
        unit(lambda: jobs.enqueue("benches.plan_notices", hold_id=7))
    assert "benches.plan_notices is left to the next tick: no broker" in caplog.text


def test_the_memory_broker_is_reachable():
    assert jobs.broker_reachable()


def test_a_closed_port_is_not_reachable(monkeypatch):
    with current_app.connection_for_write("redis://127.0.0.1:1/0") as link:
        app = type("App", (), {"connection_for_write": staticmethod(lambda: link)})
        monkeypatch.setattr(jobs, "current_app", app)
        assert not jobs.broker_reachable()
