"""What leaves against published standards: RFC 5322, RFC 8058 and 3GPP TS 23.038."""

import email
import email.policy

import pytest
from django.core import mail

from courses.channels import Outgoing, Text, sms_length, sms_sender
from courses.channels.mail import Mail
from courses.vocabulary import Channel

LINK = "https://clinic.example/u/1-AAAAAAAAAAAAAAAAAAAAAA"


def sent(**more):
    message = Outgoing(
        channel=Channel.EMAIL,
        address="invented@patient.example",
        sender_name="Harbour",
        unsubscribe=LINK,
    )
    text = Text(subject="Your visit", body="Hello,\n\nüber <b>\n")
    Mail("clinic@example.org").send(message, text=text, key="fallow-message-7")
    raw = mail.outbox.pop().message().as_bytes()
    return email.message_from_bytes(raw, policy=email.policy.default)


def test_headers_as_the_standard_library_reads_them():
    """RFC 5322, 3.6: From, To, Date, one Message-ID in angle brackets (3.6.4)."""
    letter = sent()
    assert [address.addr_spec for address in letter["From"].addresses] == ["clinic@example.org"]
    assert letter["From"].addresses[0].display_name == "Harbour"
    assert [address.addr_spec for address in letter["To"].addresses] == ["invented@patient.example"]
    assert letter.get_all("Message-ID") == ["<fallow-message-7@example.org>"]
    # RFC 5322, 3.3: "-0000" is UTC of a machine whose zone is nobody's business.
    assert letter["Date"].endswith(" -0000")
    assert not any(part.defects for part in letter.walk())


def test_plain_text_comes_before_the_page():
    """RFC 2046, 5.1.4: alternatives in the order of growing faithfulness."""
    letter = sent()
    assert letter.get_content_type() == "multipart/alternative"
    plain, page = letter.iter_parts()
    assert (plain.get_content_type(), page.get_content_type()) == ("text/plain", "text/html")
    assert "über <b>" in plain.get_content()
    assert "&lt;b&gt;" in page.get_content()


def test_one_click():
    """RFC 8058, 3.1: one HTTPS address, and exactly this value beside it."""
    letter = sent()
    assert letter["List-Unsubscribe"] == f"<{LINK}>"
    assert letter["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"


@pytest.mark.parametrize(
    ("text", "alphabet", "units", "segments"),
    [
        ("", "gsm7", 0, 0),
        ("a" * 160, "gsm7", 160, 1),
        ("a" * 161, "gsm7", 161, 2),
        ("a" * 306, "gsm7", 306, 2),
        ("a" * 307, "gsm7", 307, 3),
        # TS 23.038, 6.2.1.1: the extension table costs two septets.
        ("€" * 80, "gsm7", 160, 1),
        ("€" * 81, "gsm7", 162, 2),
        # One of two septets is not cut: 152 + 2 does not fit in 153.
        ("a" * 152 + "€" + "a" * 152, "gsm7", 306, 3),
        ("ÄÖÜäöüß§ñÑ@£$¥", "gsm7", 14, 1),
        ("я" * 70, "ucs2", 70, 1),
        ("я" * 71, "ucs2", 71, 2),
        ("я" * 134, "ucs2", 134, 2),
        ("я" * 135, "ucs2", 135, 3),
        # Outside of the basic plane: two code units.
        ("\N{GRINNING FACE}" * 35, "ucs2", 70, 1),
        ("\N{GRINNING FACE}" * 36, "ucs2", 72, 2),
        ("a" * 69 + "ç", "ucs2", 70, 1),
    ],
)
def test_segments(text, alphabet, units, segments):
    """3GPP TS 23.038 (160 septets, 70 units), TS 23.040, 9.2.3.24.1 (153 and 67 when joined)."""
    length = sms_length(text)
    assert (length.alphabet, length.units, length.segments) == (alphabet, units, segments)


def test_the_basic_table_has_its_127_characters_and_the_escape():
    """3GPP TS 23.038, 6.2.1 and 6.2.1.1."""
    printable = [chr(code) for code in range(0x20, 0x7F) if chr(code) not in "[\\]^_`{|}~"]
    assert all(sms_length(one).units == 1 for one in printable)
    assert all(sms_length(one).units == 2 for one in "^{}\\[~]|€")
    assert sms_length("`").alphabet == "ucs2"
    assert sms_length("ç").alphabet == "ucs2"
    assert sms_length("Ç").alphabet == "gsm7"


@pytest.mark.parametrize(
    ("name", "sender"),
    [
        ("Harbour", "Harbour"),
        ("Harbour Clinic", "Harbour"),
        ("Old Harbour Clinic", "Old Harbour"),
        ("Harbourside Clinic", "Harbourside"),
        ("Laserzentrum am Hafen", "Laserzentru"),
        # TS 23.038, 6.2.1.1: the extension table costs two septets.
        ("[Harbour]", "[Harbour]"),
        ("[[Harbour]]", "[[Harbour"),
        ("Fran\u00e7oise", "Francoise"),
        ("\u015awiat", "Swiat"),
        ("  A \n B\u00a0C ", "A B C"),
        ("\u041c\u043e\u0440\u0435", ""),
        ("", ""),
    ],
)
def test_a_sender_has_eleven_characters_at_most(name, sender):
    """3GPP TS 23.040, 9.1.2.5: ten octets of 7-bit codes are eleven septets (80 / 7)."""
    assert sms_sender(name) == sender
