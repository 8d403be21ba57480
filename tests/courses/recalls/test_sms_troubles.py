"""Text messages: what surely has not left, and how long a provider asks to wait."""

import socket
import threading
from datetime import UTC, datetime, timedelta

import pytest

from courses.channels import Outgoing, TemporaryTrouble, Text
from courses.channels.sms import HttpSms, pause_asked
from courses.timing import pause_after
from courses.vocabulary import Channel
from tests.support.provider import HANG_UP, Answer, Provider

NOTE = Outgoing(channel=Channel.SMS, address="+4915112345678", sender_name="Harbour Clinic")
TEXT = Text(subject="", body="Please call us.")
# The example of RFC 9110, section 5.6.7, in its three forms.
AT = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)
FORMS = (
    "Sun, 06 Nov 1994 08:49:37 GMT",
    "Sunday, 06-Nov-94 08:49:37 GMT",
    "Sun Nov  6 08:49:37 1994",
)
DAY = timedelta(days=1)


def trouble_of(endpoint: str, *, timeout_s: float = 5.0) -> TemporaryTrouble:
    with pytest.raises(TemporaryTrouble) as told:
        HttpSms(endpoint, "secret", timeout_s=timeout_s).send(NOTE, text=TEXT, key="k")
    return told.value


class TestNobodyWasThere:
    @pytest.mark.parametrize(
        "error",
        [
            socket.gaierror(-2, "no such name"),
            TimeoutError("timed out"),
            OSError(113, "no route"),
            ConnectionResetError(104, "reset"),
            UnicodeError("label too long"),
        ],
    )
    def test_it_has_not_left(self, monkeypatch, error):
        def fail(*_, **__):
            raise error

        monkeypatch.setattr("socket.create_connection", fail)
        assert not trouble_of("https://sms.example.org/send").may_have_left

    def test_nor_to_one_who_is_not_trusted(self):
        """A server that speaks no TLS at all ends the handshake."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            threading.Thread(target=self.hang_up, args=[server], daemon=True).start()
            port = server.getsockname()[1]
            assert not trouble_of(f"https://127.0.0.1:{port}/send").may_have_left

    def hang_up(self, server):
        server.accept()[0].close()

    def test_nor_to_a_closed_port(self):
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
        assert not trouble_of(f"http://127.0.0.1:{port}/send").may_have_left


class TestSomebodyWasThere:
    @pytest.fixture
    def provider(self):
        with Provider() as running:
            yield running

    def test_who_hung_up(self, provider):
        provider.answers = [HANG_UP]
        assert trouble_of(provider.endpoint).may_have_left

    def test_who_was_slow(self, provider):
        provider.delay_s = 1.0
        assert trouble_of(provider.endpoint, timeout_s=0.1).may_have_left

    @pytest.mark.parametrize(("status", "may_have"), [(500, True), (503, True), (429, False)])
    def test_who_answered(self, provider, status, may_have):
        provider.answers = [Answer(status)]
        assert trouble_of(provider.endpoint).may_have_left is may_have

    @pytest.mark.parametrize("asked", ["9" * 5000, "9" * 20, "Thu, 31 Dec 9999 23:59:59 GMT"])
    def test_who_asks_for_too_much_is_asked_again_in_a_day(self, provider, asked):
        provider.answers = [Answer(429, retry_after=asked)]
        trouble = trouble_of(provider.endpoint)
        assert trouble.retry_after == DAY
        pause = pause_after(1, jitter=0.5, asked=trouble.retry_after)
        assert AT + pause == AT + timedelta(hours=6)

    def test_an_answer_too_deep_to_read_was_an_answer(self, provider):
        provider.answers = [Answer(200, body=b"[" * 60_000)]
        way = HttpSms(provider.endpoint, "secret")
        assert way.send(NOTE, text=TEXT, key="k").reference == ""


class TestRetryAfter:
    @pytest.mark.parametrize(
        ("said", "pause"),
        [
            ("120", timedelta(minutes=2)),
            (" 0120 ", timedelta(minutes=2)),
            ("0", timedelta(0)),
            ("0" * 5000, timedelta(0)),
            ("86400", DAY),
            ("86401", DAY),
            ("", None),
            ("-5", None),
            ("1.5", None),
            ("soon", None),
            ("\u0661\u0662", None),
            ("Sun, 99 Nov 1994 08:49:37 GMT", None),
        ],
    )
    def test_seconds(self, said, pause):
        assert pause_asked(said, at=AT) == pause

    @pytest.mark.parametrize("said", FORMS)
    def test_a_date_in_each_form_of_rfc_9110(self, said):
        assert pause_asked(said, at=AT - timedelta(minutes=3)) == timedelta(minutes=3)
        assert pause_asked(said, at=AT + DAY) == timedelta(0)
        assert pause_asked(said, at=AT - 2 * DAY) == DAY
