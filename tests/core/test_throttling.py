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


def told_of(answer) -> tuple[int, str]:
    return answer.status_code, answer.headers["RateLimit"]


def test_what_is_refused_counts_and_tells_what_is_left(monkeypatch):
    reader = caller(may="bench.read")
    asked = [
        lambda: APIClient().get("/api/benches"),
        lambda: reader.post("/api/benches", {}, format="json"),
        lambda: caller("bob").get("/api/benches", headers={"Accept": "image/png"}),
        lambda: caller("cleo").put("/api/benches", {}, format="json"),
        lambda: caller("dan").get("/api/benches?unheard=of"),
    ]
    monkeypatch.setitem(api_settings.DEFAULT_THROTTLE_RATES, "default", "2/min")
    answers = [ask() for ask in asked]
    assert [answer.status_code for answer in answers] == [401, 403, 406, 405, 400]
    assert {answer.headers["RateLimit"].partition(";")[2] for answer in answers} == {"r=1;t=60"}


def test_what_fails_tells_what_is_left(client, monkeypatch):
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", {"default": "2/min"})
    client.raise_request_exception = False
    assert told_of(client.get("/broken")) == (500, '"default";r=1;t=60')


def test_whoever_has_no_valid_credential_is_stopped_too():
    stranger = APIClient()
    stranger.credentials(HTTP_AUTHORIZATION="Test")
    told = [stranger.get("/api/benches") for _ in range(3)]
    assert [answer.status_code for answer in told] == [401, 401, 429]
    assert told[-1].headers["Retry-After"] == "60"


def test_strangers_keep_nobody_at_their_address_from_asking(client, monkeypatch):
    monkeypatch.setattr(
        api_settings, "DEFAULT_THROTTLE_RATES", {"benches": "2/min", "default": "2/min"}
    )
    for _ in range(3):
        APIClient().get("/api/benches")
    assert client.get("/api/benches").status_code == 200
    assert APIClient().get("/problems/conflict").status_code == 200


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
