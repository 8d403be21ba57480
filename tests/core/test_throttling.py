"""Quotas are told in every answer, and a cache that is away stops nobody."""

import pytest
from django.core.cache import cache
from redis.exceptions import ConnectionError as RedisAway
from rest_framework.settings import api_settings
from rest_framework.test import APIClient

from core.api import throttling
from tests.core.conftest import caller
from tests.core.test_problems import problem

pytestmark = pytest.mark.urls("tests.core.benches")


@pytest.fixture(autouse=True)
def rates(monkeypatch, benches):
    monkeypatch.setattr(throttling.time, "time", lambda: 1_000_000_020.0)
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", {"benches": "2/min"})


def test_each_answer_tells_what_is_left(client):
    for left in (1, 0):
        told = client.get("/api/benches")
        assert told.status_code == 200
        assert told.headers["RateLimit-Policy"] == '"benches";q=2;w=60'
        assert told.headers["RateLimit"] == f'"benches";r={left};t=60'


def test_beyond_the_quota_is_429_with_the_time_to_wait(client):
    for _ in range(2):
        client.get("/api/benches")
    told = client.get("/api/benches")
    problem(told, 429, "throttled")
    assert told.headers["Retry-After"] == "60"
    assert told.headers["RateLimit"] == '"benches";r=0;t=60'


def test_the_next_window_begins_anew(client, monkeypatch):
    for _ in range(3):
        client.get("/api/benches")
    monkeypatch.setattr(throttling.time, "time", lambda: 1_000_000_080.0)
    assert client.get("/api/benches").status_code == 200


def test_each_caller_has_a_quota_of_their_own(client):
    for _ in range(3):
        client.get("/api/benches")
    assert caller("bob").get("/api/benches").status_code == 200


def test_an_address_is_not_what_the_caller_says_it_is(monkeypatch):
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", {"default": "2/min"})
    told = [
        APIClient().get("/problems/conflict", headers={"X-Forwarded-For": f"10.0.0.{n}"})
        for n in range(3)
    ]
    assert [answer.status_code for answer in told] == [200, 200, 429]


def test_a_scope_without_a_rate_is_not_limited_and_says_nothing(client):
    told = client.get("/problems/conflict")
    assert told.status_code == 200
    assert "RateLimit" not in told.headers


@pytest.mark.parametrize("error", [RedisAway("away"), TimeoutError("away")])
def test_without_the_cache_requests_pass_uncounted(client, monkeypatch, caplog, error):
    def away(*args, **kwargs):
        raise error

    monkeypatch.setattr(cache, "add", away, raising=False)
    for _ in range(3):
        told = client.get("/api/benches")
        assert told.status_code == 200
        assert "RateLimit" not in told.headers
    assert "Quotas are not counted" in caplog.text
