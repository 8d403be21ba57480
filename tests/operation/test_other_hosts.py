"""Who asks for a host that is not ours is refused in one line, and is no alarm."""

import logging

import pytest

pytestmark = pytest.mark.django_db


def test_a_request_for_another_host_is_refused_and_neither_an_error_nor_repeated(client, caplog):
    with caplog.at_level(logging.INFO):
        answer = client.get("/api/v1/health", headers={"Host": "elsewhere.example"})
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert [record.name for record in caplog.records] == ["fallow.requests"]
    assert "elsewhere.example" not in caplog.text
