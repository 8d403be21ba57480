"""What the web server refuses before the application sees it is a problem document too.

Statuses: RFC 9110 (400, 414) and RFC 6585 (431); the form of the body: RFC 9457.
"""

import http.client
import json
import os

import pytest

from config.servers.ports import LOOPBACK
from tests.support.web import Web

FAMILY = "Quillfeather"
PROBE = "/api/v1/health"


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    served = Web(
        {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "config.settings.test",
            "FALLOW_LOG_LEVEL": "INFO",
            "WEB_CONCURRENCY": "1",
        },
        log=tmp_path_factory.mktemp("unread") / "web.log",
    )
    served.start()
    yield served
    served.end()


@pytest.mark.parametrize(
    ("status", "code", "path", "headers"),
    [
        (414, "address_too_long", f"{PROBE}?name={FAMILY}{'x' * 5000}", {}),
        (431, "headers_too_large", PROBE, {"X-Reason": FAMILY + "x" * 9000}),
        (400, "malformed", PROBE, {"Content-Length": FAMILY}),
        (400, "malformed", PROBE, {"Host": f"a b {FAMILY}\x00"}),
    ],
    ids=["address", "headers", "length", "header"],
)
def test_what_cannot_be_read_is_answered_with_a_problem(web, status, code, path, headers):
    link = http.client.HTTPConnection(LOOPBACK, web.port, timeout=10)
    link.putrequest("GET", path, skip_host="Host" in headers)
    for name, value in headers.items():
        link.putheader(name, value)
    link.endheaders()
    told = link.getresponse()
    body = told.read().decode()
    link.close()
    assert told.status == status
    assert told.headers["Content-Type"] == "application/problem+json"
    problem = json.loads(body)
    assert (problem["status"], problem["code"]) == (status, code)
    assert problem["request_id"] == told.headers["X-Request-ID"] != ""
    assert FAMILY not in body
    assert "Server" not in told.headers
    [line] = [one for one in lines(web) if one["request_id"] == problem["request_id"]]
    assert (line["level"], line["logger"], line["status"]) == ("warning", "fallow.unread", status)
    assert line["kind"]


def lines(web) -> list[dict]:
    """The log of the web server, each line of which is one JSON object."""
    return [json.loads(line) for line in web.log.read_text().splitlines()]


def test_the_log_says_nothing_of_what_was_asked(web):
    link = http.client.HTTPConnection(LOOPBACK, web.port, timeout=10)
    link.request("GET", f"/api/v1/patients/4711?name={FAMILY}", headers={"X-Reason": FAMILY})
    told = link.getresponse()
    told.read()
    link.close()
    assert told.status == 401
    assert "Server" not in told.headers
    assert {"at", "level", "logger", "request_id", "message"} <= set.intersection(
        *(set(line) for line in lines(web))
    )
    assert {"gunicorn.error", "fallow.requests"} <= {line["logger"] for line in lines(web)}
    assert FAMILY not in web.log.read_text()
    assert "4711" not in web.log.read_text()


def test_a_body_in_chunks_is_refused(web):
    link = http.client.HTTPConnection(LOOPBACK, web.port, timeout=10)
    link.request(
        "POST",
        "/api/v1/patients",
        body=iter([b"{", b"}"]),
        headers={"Content-Type": "application/json"},
        encode_chunked=True,
    )
    told = link.getresponse()
    problem = json.loads(told.read())
    link.close()
    assert (told.status, problem["code"]) == (411, "length_required")
