"""What a visitor reads once the service answers."""

from config.local.guide import _lines

BASE = "http://127.0.0.1:8000"


def test_shows_the_address_each_credential_and_a_call_to_try(monkeypatch):
    monkeypatch.setenv("FALLOW_OUTBOX_DIR", "/somewhere/outbox")
    credentials = [
        {"role": "chain_manager", "token": "token-1"},
        {"role": "front_desk", "token": "token-2", "clinic": "Harbour"},
        {"role": "front_desk", "token": "token-3", "clinic": "Harbour"},
    ]
    text = "\n".join(_lines(BASE, credentials))
    assert f"{BASE}/api/v1/docs" in text
    assert "chain_manager          token-1  (whole chain)" in text
    assert "front_desk             token-2  (Harbour)" in text
    assert "curl -H 'Authorization: Bearer token-1'" in text
    assert "token-3" not in text
    assert "/somewhere/outbox" in text


def test_shows_how_to_sign_in_and_what_is_worth_a_look(monkeypatch):
    monkeypatch.setenv("FALLOW_OUTBOX_DIR", "/somewhere/outbox")
    row = {
        "role": "laser_safety_officer",
        "token": "token-1",
        "user_name": "somebody",
        "password": "secret-words",
        "look_at": "/lock-outs?limit=3",
        "shows": "lasers that may not fire",
    }
    text = "\n".join(_lines(BASE, [row]))
    assert "user_name somebody" in text
    assert "password secret-words" in text
    assert f"'{BASE}/api/v1/lock-outs?limit=3'" in text
    assert "(lasers that may not fire)" in text


def test_says_nothing_of_credentials_that_do_not_exist(monkeypatch):
    monkeypatch.setenv("FALLOW_OUTBOX_DIR", "/somewhere/outbox")
    assert "credential" not in "\n".join(_lines(BASE, []))
