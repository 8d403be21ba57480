"""The ways out: the demonstration's folder, mail, and text messages over HTTP."""

import email
import email.policy
import stat
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from smtplib import SMTPDataError, SMTPRecipientsRefused, SMTPServerDisconnected
from ssl import SSLError
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.core.exceptions import ImproperlyConfigured

from courses.channels import (
    TEXTS,
    Outgoing,
    Refusal,
    TemporaryTrouble,
    Text,
    TextFacts,
    UnknownTemplate,
    configured_senders,
    text_for,
)
from courses.channels.mail import Mail
from courses.channels.outbox import FileOutbox
from courses.channels.sms import HttpSms
from courses.vocabulary import Channel
from tests.support.provider import Answer, Provider

LETTER = Outgoing(channel=Channel.EMAIL, address="ada@example.org", sender_name="Harbour Clinic")
NOTE = Outgoing(channel=Channel.SMS, address="+4915112345678", sender_name="Harbour Clinic")
TEXT = Text(subject="Your next visit", body="Hello <Ada>,\n\nplease call us.\n")
KEY = "fallow-message-7"


class TestFolder:
    def test_one_file_for_one_key(self, tmp_path):
        outbox = FileOutbox(tmp_path / "outbox")
        first = outbox.send(LETTER, text=TEXT, key=KEY)
        again = outbox.send(LETTER, text=TEXT, key=KEY)
        assert first == again
        [file] = (tmp_path / "outbox").iterdir()
        assert file.name == first.reference == "fallow-message-7.txt"
        written = file.read_text(encoding="utf-8")
        assert "To: ada@example.org" in written
        assert TEXT.body in written

    def test_nobody_else_may_read_it(self, tmp_path):
        outbox = FileOutbox(tmp_path / "outbox")
        outbox.send(LETTER, text=TEXT, key=KEY)
        assert stat.S_IMODE((tmp_path / "outbox").stat().st_mode) == 0o700
        [file] = (tmp_path / "outbox").iterdir()
        assert stat.S_IMODE(file.stat().st_mode) == 0o600

    def test_half_a_file_is_never_there(self, tmp_path, monkeypatch):
        monkeypatch.setattr("os.fsync", _disk_full)
        with pytest.raises(TemporaryTrouble, match="outbox_unwritable"):
            FileOutbox(tmp_path).send(LETTER, text=TEXT, key=KEY)
        assert list(tmp_path.iterdir()) == []


def _disk_full(_):
    raise OSError(28, "No space left on device")


class LinksOf(HTMLParser):
    """Where the links of a page lead, and what a person reads."""

    def __init__(self):
        super().__init__()
        self.found, self.text = [], ""

    def handle_starttag(self, tag, attrs):
        assert tag in {"html", "body", "p", "br", "a"}
        if tag == "br":
            self.text += " "
        if tag == "a":
            self.found.append(dict(attrs)["href"])

    def handle_data(self, data):
        self.text += data


class TestMail:
    def sent(self):
        [message] = mail.outbox
        return email.message_from_bytes(message.message().as_bytes(), policy=email.policy.default)

    def test_has_a_text_and_a_page_and_a_stable_id(self, settings):
        delivery = Mail("desk@fallow.example").send(LETTER, text=TEXT, key=KEY)
        parsed = self.sent()
        assert parsed["Message-ID"] == delivery.reference == "<fallow-message-7@fallow.example>"
        assert parsed["To"] == "ada@example.org"
        assert parsed["From"] == "Harbour Clinic <desk@fallow.example>"
        assert parsed["Auto-Submitted"] == "auto-generated"
        assert parsed.get_content_type() == "multipart/alternative"
        plain, page = parsed.iter_parts()
        assert plain.get_content().strip() == TEXT.body.strip()
        assert "Hello &lt;Ada&gt;" in page.get_content()

    def test_an_address_is_a_link_on_the_page_and_all_else_is_shown_as_written(self):
        body = (
            'Hello "Ada" <script>,\n\nsee https://clinic.example/r/1-_?a=1&b=2.\n'
            "ink.example is a name, javascript:alert(1) is not one.\n"
        )
        Mail("desk@fallow.example").send(LETTER, text=Text("s", body), key=KEY)
        plain, page = self.sent().iter_parts()
        assert plain.get_content().strip() == body.strip()
        links = LinksOf()
        links.feed(page.get_content())
        assert links.found == ["https://clinic.example/r/1-_?a=1&b=2"]
        assert links.text.split() == body.split()

    def test_a_name_cannot_bring_headers_along(self):
        crooked = Outgoing(Channel.EMAIL, "ada@example.org", "Harbour\nBcc: all@example.org")
        Mail("desk@fallow.example").send(crooked, text=TEXT, key=KEY)
        assert self.sent()["Bcc"] is None

    @pytest.mark.parametrize(
        ("error", "expected", "reason"),
        [
            (SMTPRecipientsRefused({"a": (550, b"no")}), Refusal, "recipient_refused_550"),
            (SMTPRecipientsRefused({"a": (451, b"later")}), TemporaryTrouble, "deferred"),
            (SMTPDataError(554, b"no"), Refusal, "letter_refused_554"),
            (SMTPDataError(452, b"full"), TemporaryTrouble, "letter_deferred_452"),
            (SMTPServerDisconnected(), TemporaryTrouble, "mail_server_trouble"),
            (ConnectionRefusedError(), TemporaryTrouble, "mail_server_trouble"),
        ],
    )
    def test_what_the_server_says(self, monkeypatch, error, expected, reason):
        def fails(*_):
            raise error

        monkeypatch.setattr("django.core.mail.EmailMultiAlternatives.send", fails)
        with pytest.raises(expected, match=reason):
            Mail("desk@fallow.example").send(LETTER, text=TEXT, key=KEY)


class TestTextMessages:
    @pytest.fixture
    def provider(self):
        with Provider() as running:
            yield running

    def send(self, provider, *, timeout_s=5.0):
        way = HttpSms(provider.endpoint, "secret", timeout_s=timeout_s)
        return way.send(NOTE, text=TEXT, key=KEY)

    def test_posts_what_the_protocol_says(self, provider):
        assert self.send(provider).reference == "provider-1"
        [request] = provider.requests
        assert request.headers["Idempotency-Key"] == '"fallow-message-7"'
        assert request.headers["Authorization"] == "Bearer secret"
        assert request.body == {
            "to": "+4915112345678",
            "text": TEXT.body,
            "sender": "Harbour",
            "reference": KEY,
        }

    def test_a_name_that_no_sender_can_have_is_left_out(self, provider):
        note = replace(NOTE, sender_name="\u041c\u043e\u0440\u0435")
        HttpSms(provider.endpoint, "secret", timeout_s=5).send(note, text=TEXT, key=KEY)
        [request] = provider.requests
        assert set(request.body) == {"to", "text", "reference"}

    def test_a_repeat_has_one_effect_with_a_provider_that_honours_keys(self, provider):
        first, again = self.send(provider), self.send(provider)
        assert first == again
        assert (provider.asked, provider.effects) == (2, 1)

    @pytest.mark.parametrize("status", [408, 409, 425, 429, 500, 503, 401, 403])
    def test_later(self, provider, status):
        provider.answers = [Answer(status)]
        with pytest.raises(TemporaryTrouble, match=str(status)):
            self.send(provider)

    def test_later_means_when_the_provider_says(self, provider):
        provider.answers = [Answer(429, retry_after="120")]
        with pytest.raises(TemporaryTrouble) as caught:
            self.send(provider)
        assert caught.value.retry_after == timedelta(minutes=2)

    @pytest.mark.parametrize("status", [400, 404, 410, 422, 302])
    def test_never(self, provider, status):
        provider.answers = [Answer(status)]
        with pytest.raises(Refusal, match=str(status)):
            self.send(provider)

    def test_slow_is_temporary(self, provider):
        provider.delay_s = 1.0
        with pytest.raises(TemporaryTrouble, match="unreachable"):
            self.send(provider, timeout_s=0.1)

    def test_away_is_temporary(self, provider):
        provider.stop()
        with pytest.raises(TemporaryTrouble, match="unreachable"):
            self.send(provider)

    def test_an_answer_without_sense_was_an_answer(self, provider):
        provider.answers = [Answer(202, body=b"thanks")]
        assert self.send(provider).reference == ""

    @pytest.mark.parametrize("address", ["http://sms.example/send", "ftp://127.0.0.1/", "sms"])
    def test_the_way_there_is_encrypted(self, address):
        with pytest.raises(ImproperlyConfigured):
            HttpSms(address, "secret")

    def test_the_secret_does_not_show(self, provider):
        assert "secret" not in repr(HttpSms(provider.endpoint, "secret"))


class TestSettings:
    def test_choose_a_way_for_each_channel(self, settings):
        settings.FALLOW_SENDERS = {"email": "mail", "sms": "outbox"}
        ways = configured_senders()
        assert isinstance(ways[Channel.EMAIL], Mail)
        assert isinstance(ways[Channel.SMS], FileOutbox)

    def test_text_messages_over_http(self, settings):
        settings.FALLOW_SENDERS = {"sms": "http"}
        settings.FALLOW_SMS_ENDPOINT = "https://sms.example/send"
        settings.FALLOW_SMS_SECRET = "secret"
        assert configured_senders() == {Channel.SMS: HttpSms("https://sms.example/send", "secret")}

    @pytest.mark.parametrize("wrong", [{"email": "http"}, {"sms": "mail"}, {"phone": "outbox"}])
    def test_refuse_what_cannot_be(self, settings, wrong):
        settings.FALLOW_SENDERS = wrong
        with pytest.raises(ImproperlyConfigured, match="FALLOW_SENDERS"):
            configured_senders()


class TestTexts:
    def facts(self, **more) -> TextFacts:
        return TextFacts(
            **{
                "given_name": "Ada",
                "clinic": "Harbour",
                "zone": ZoneInfo("Europe/Berlin"),
                "link": "https://clinic.example/r/1",
                "starts_at": datetime(2026, 3, 2, 9, tzinfo=UTC),
                "ready_on": date(2026, 2, 23),
                **more,
            }
        )

    def test_an_invitation(self):
        text = text_for("invitation", self.facts())
        assert text.subject == "Your next visit to Harbour"
        assert text.body.startswith("Hello Ada,\n")

    def test_an_invitation_ahead_says_from_when(self):
        text = text_for("invitation-ahead", self.facts(ready_on=date(2026, 2, 23)))
        assert "from Monday 23 February 2026" in text.body

    @pytest.mark.parametrize("template", sorted(TEXTS))
    def test_none_says_anything_medical(self, template):
        text = text_for(template, self.facts())
        words = f"{text.subject} {text.body}".lower()
        for medical in ("tattoo", "laser", "skin", "session", "treat", "heal", "ink"):
            assert medical not in words.replace("think", "")

    def test_an_unknown_template_is_an_error(self):
        with pytest.raises(UnknownTemplate):
            text_for("birthday", self.facts())

    @pytest.mark.parametrize("template", ["reminder", "moved"])
    @pytest.mark.parametrize(
        ("zone", "told"),
        [
            ("Europe/Berlin", "Sunday 29 March 2026 at 10:00"),
            ("America/Toronto", "Sunday 29 March 2026 at 04:00"),
            ("Pacific/Auckland", "Sunday 29 March 2026 at 21:00"),
        ],
    )
    def test_a_visit_is_told_by_the_clinics_clock(self, template, zone, told):
        starts_at = datetime.fromisoformat("2026-03-29T08:00+00:00")
        text = text_for(template, self.facts(zone=ZoneInfo(zone), starts_at=starts_at))
        assert told in text.body


@pytest.mark.parametrize(
    ("error", "may_have_left"),
    [
        (SMTPServerDisconnected(), True),
        (TimeoutError(), True),
    ],
)
def test_mail_says_whether_it_may_have_left(monkeypatch, error, may_have_left):
    def fail(self, fail_silently=False):
        raise error

    monkeypatch.setattr("courses.channels.mail.EmailMultiAlternatives.send", fail)
    outgoing = Outgoing(channel=Channel.EMAIL, address="a@example.org", sender_name="Harbour")
    with pytest.raises(TemporaryTrouble) as trouble:
        Mail("clinic@example.org").send(outgoing, text=Text("s", "b"), key="k")
    assert trouble.value.may_have_left is may_have_left


@pytest.mark.parametrize("error", [TimeoutError(), OSError(101, "unreachable"), SSLError("old")])
def test_mail_that_found_no_server_has_not_left(monkeypatch, error):
    def fail(self):
        raise error

    monkeypatch.setattr("django.core.mail.backends.locmem.EmailBackend.open", fail)
    outgoing = Outgoing(channel=Channel.EMAIL, address="a@example.org", sender_name="Harbour")
    with pytest.raises(TemporaryTrouble) as trouble:
        Mail("clinic@example.org").send(outgoing, text=Text("s", "b"), key="k")
    assert not trouble.value.may_have_left


@pytest.mark.parametrize(
    ("code", "said", "off"),
    [
        (550, b"5.1.1 no such user", True),
        (550, b"5.2.1 mailbox disabled", True),
        (550, b"no such user", True),
        (552, b"5.2.2 mailbox full", False),
        (554, b"5.7.1 relay access denied", None),
        (451, b"4.7.1 come later", None),
    ],
)
def test_only_words_about_the_address_turn_it_off(monkeypatch, code, said, off):
    """RFC 3463, sections 3.2, 3.3 and 3.8: what the classes of enhanced codes are about."""

    def fail(self, fail_silently=False):
        raise SMTPRecipientsRefused({"a@example.org": (code, said)})

    monkeypatch.setattr("courses.channels.mail.EmailMultiAlternatives.send", fail)
    outgoing = Outgoing(channel=Channel.EMAIL, address="a@example.org", sender_name="Harbour")
    with pytest.raises(TemporaryTrouble if off is None else Refusal) as told:
        Mail("clinic@example.org").send(outgoing, text=Text("s", "b"), key="k")
    assert off is None or told.value.address is off


def test_who_honours_keys(tmp_path):
    assert FileOutbox(tmp_path).honours_keys
    assert HttpSms("https://sms.example.org/send", "secret").honours_keys
    assert not HttpSms("https://sms.example.org/send", "secret", honours_keys=False).honours_keys
    assert not Mail("clinic@example.org").honours_keys
