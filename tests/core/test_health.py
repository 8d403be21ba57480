"""What a load balancer is told."""

import pytest
from django.db import OperationalError, connection

from core.api import health

pytestmark = pytest.mark.urls("tests.core.benches")


def test_alive_without_asking_anyone(client, monkeypatch):
    monkeypatch.setattr(connection, "cursor", lambda: pytest.fail("asked the database"))
    assert client.get("/api/health").json() == {"status": "ok"}


def test_ready(db, client):
    told = client.get("/api/health/ready")
    assert (told.status_code, told.json()) == (
        200,
        {
            "status": "ok",
            "database": True,
            "migrations": True,
            "broker": True,
            "queue_lag_s": 0.0,
        },
    )


def test_with_work_that_is_late_it_is_degraded_but_ready(db, client, monkeypatch, settings):
    settings.FALLOW_LATE_SECONDS = 900
    for lag, word in ((900.0, "ok"), (901.0, "degraded")):
        monkeypatch.setattr(health, "queue_lag_s", lambda told=lag: told)
        told = client.get("/api/health/ready")
        assert (told.status_code, told.json()["status"]) == (200, word)
        assert told.json()["queue_lag_s"] == lag


def test_without_a_broker_it_is_degraded_but_ready(db, client, monkeypatch):
    monkeypatch.setattr(health.jobs, "broker_reachable", lambda: False)
    told = client.get("/api/health/ready")
    assert (told.status_code, told.json()["status"]) == (200, "degraded")


def test_without_a_database_it_is_not_ready(db, client, monkeypatch):
    def away():
        raise OperationalError

    with monkeypatch.context() as patch:
        patch.setattr(health.connection, "cursor", away)
        patch.setattr(health.connection, "close", lambda: None)
        told = client.get("/api/health/ready")
    assert (told.status_code, told.json()["status"]) == (503, "down")
    assert told.json()["database"] is False


def test_before_the_migrations_it_is_not_ready(db, client, monkeypatch):
    health._all_applied.cache_clear()
    with monkeypatch.context() as patch:
        patch.setattr(health.MigrationExecutor, "migration_plan", lambda *_: ["one"])
        told = client.get("/api/health/ready")
        assert (told.status_code, told.json()["migrations"]) == (503, False)
    assert client.get("/api/health/ready").status_code == 200
