"""What browsers are told: headers of every answer, and which pages may read it.

Values: OWASP ASVS 5.0.0 chapter 3 (web frontend security) asks for each of these headers; the
form of preflights is the Fetch standard's.
"""

import pytest

from core.api.docs import PAGE_MAY

DESK = "https://desk.example"
PREFLIGHT = {
    "Origin": DESK,
    "Access-Control-Request-Method": "POST",
    "Access-Control-Request-Headers": "authorization,content-type,idempotency-key,if-match",
}


@pytest.fixture(autouse=True)
def _one_origin(settings):
    settings.CORS_ALLOWED_ORIGINS = [DESK]


@pytest.mark.parametrize("path", ["/api/v1/health", "/api/v1/patients", "/api/v1/nowhere", "/x"])
def test_every_answer_says_what_may_be_done_with_it(db, client, path):
    told = client.get(path).headers
    assert told["X-Content-Type-Options"] == "nosniff"
    assert told["X-Frame-Options"] == "DENY"
    assert told["Cross-Origin-Opener-Policy"] == "same-origin"
    assert told["Referrer-Policy"] == "same-origin"
    rules = {rule.strip() for rule in told["Content-Security-Policy"].split(";")}
    assert rules >= {"default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'"}
    assert "Server" not in told


def test_answers_of_the_api_are_kept_nowhere(db, client):
    assert client.get("/api/v1/patients").headers["Cache-Control"] == "no-store"


def test_the_page_to_read_by_runs_scripts_of_this_service_only(client):
    told = client.get("/api/v1/docs")
    rules = dict(
        rule.strip().split(" ", 1) for rule in told.headers["Content-Security-Policy"].split(";")
    )
    assert rules == {name: " ".join(values) for name, values in PAGE_MAY.items()}
    assert rules["script-src"] == "'self'"
    page = told.content.decode()
    # Nothing to run stands in the page itself, where the policy would keep it from running.
    assert all("src=" in part.split(">")[0] for part in page.split("<script")[1:])
    script = client.get("/api/v1/docs?script=")
    assert script.status_code == 200
    assert "javascript" in script.headers["Content-Type"]


def test_a_page_of_a_known_origin_may_ask(client):
    told = client.options("/api/v1/appointments", headers=PREFLIGHT)
    assert told.status_code == 200
    assert told.headers["Access-Control-Allow-Origin"] == DESK
    assert "idempotency-key" in told.headers["Access-Control-Allow-Headers"]
    # Tokens are sent on purpose; a browser must never add cookies by itself.
    assert "Access-Control-Allow-Credentials" not in told.headers


def test_a_page_of_a_known_origin_may_read_what_it_needs(client):
    told = client.get("/api/v1/health", headers={"Origin": DESK})
    exposed = set(told.headers["Access-Control-Expose-Headers"].split(", "))
    assert {
        "Allow",
        "Content-Disposition",
        "ETag",
        "Idempotency-Replayed",
        "Link",
        "Location",
        "RateLimit",
        "Retry-After",
        "WWW-Authenticate",
        "X-Request-ID",
    } <= exposed


@pytest.mark.parametrize(
    "origin",
    ["https://elsewhere.example", "http://desk.example", f"{DESK}.elsewhere.example", "null"],
)
def test_other_pages_are_told_nothing(client, origin):
    for told in (
        client.options("/api/v1/appointments", headers={**PREFLIGHT, "Origin": origin}),
        client.get("/api/v1/health", headers={"Origin": origin}),
    ):
        assert "Access-Control-Allow-Origin" not in told.headers


def test_without_a_list_no_page_may_ask(client, settings):
    settings.CORS_ALLOWED_ORIGINS = []
    told = client.options("/api/v1/appointments", headers=PREFLIGHT)
    assert "Access-Control-Allow-Origin" not in told.headers
