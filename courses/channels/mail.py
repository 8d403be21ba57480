"""E-mail through Django's backend.

Mail knows no keys, so it leaves *at most once*: when a worker dies while it sends, or the server
hangs up before it has answered, the letter is not sent again and the front desk sees that nobody
knows. The Message-ID is made from the key (RFC 5322, section 3.6.4).
"""

import re
from contextlib import suppress
from dataclasses import dataclass
from email.utils import formataddr, parseaddr
from smtplib import SMTPDataError, SMTPException, SMTPRecipientsRefused, SMTPSenderRefused
from typing import Final

from django.core.mail import EmailMultiAlternatives, get_connection
from django.utils.html import escape, format_html, linebreaks

from courses.channels.port import Delivery, Outgoing, Refusal, TemporaryTrouble, Text

PERMANENT: Final = 500
NO_SUCH_MAILBOX: Final = 550
# RFC 3463: 5.1 is about the address, 5.2.1 a mailbox that takes nothing, 5.7 about our own rights.
ENHANCED: Final = re.compile(rb"5\.\d{1,3}\.\d{1,3}")
OF_THE_ADDRESS: Final = re.compile(rb"5\.1\.\d+|5\.2\.1")
# Up to the punctuation of the sentence around it.
ADDRESS: Final = re.compile(r"(https?://[^\s<>\"']*[^\s<>\"'.,;:!?)\]])")
OF_OURS: Final = re.compile(rb"5\.7\.\d+")


@dataclass(frozen=True, slots=True)
class Mail:
    """Sends from `from_address`, under the name of the clinic."""

    from_address: str

    @property
    def honours_keys(self) -> bool:
        """Mail servers know no keys."""
        return False

    def send(self, message: Outgoing, *, text: Text, key: str) -> Delivery:
        """See the port."""
        _, address = parseaddr(self.from_address)
        reference = f"<{key}@{address.rpartition('@')[2] or 'localhost'}>"
        mail = EmailMultiAlternatives(
            subject=_one_line(text.subject),
            body=text.body,
            from_email=formataddr((_one_line(message.sender_name), address)),
            to=[message.address],
            headers=_headers(message, reference=reference),
        )
        mail.attach_alternative(_page(text), "text/html")
        _hand_over(mail)
        return Delivery(reference=reference)


def _hand_over(mail: EmailMultiAlternatives) -> None:
    link = get_connection()
    try:
        link.open()
    except (SMTPException, OSError) as error:
        # Nobody was there, or not for us: nothing has been said yet.
        raise TemporaryTrouble("mail_server_trouble") from error
    mail.connection = link
    try:
        _say(mail)
    finally:
        # What was accepted is not undone by a bad farewell.
        with suppress(SMTPException, OSError):
            link.close()


def _say(mail: EmailMultiAlternatives) -> None:
    try:
        mail.send()
    except SMTPRecipientsRefused as error:
        [(code, said), *_] = error.recipients.values()
        raise _refused(code, said) from error
    except SMTPDataError as error:
        if error.smtp_code >= PERMANENT:
            raise Refusal(f"letter_refused_{error.smtp_code}") from error
        raise TemporaryTrouble(f"letter_deferred_{error.smtp_code}") from error
    except SMTPSenderRefused as error:
        # A wrong sender is ours to mend, not the patient's: it is tried again.
        raise TemporaryTrouble("mail_server_trouble") from error
    except (SMTPException, OSError) as error:
        raise TemporaryTrouble("mail_server_trouble", may_have_left=True) from error


def _refused(code: int, said: bytes) -> Refusal | TemporaryTrouble:
    """What the server means by refusing a recipient; only some words are about the address."""
    if code < PERMANENT or OF_OURS.match(said):
        return TemporaryTrouble("recipient_deferred")
    enhanced = ENHANCED.match(said)
    wrong = bool(OF_THE_ADDRESS.match(said)) if enhanced else code == NO_SUCH_MAILBOX
    return Refusal(f"recipient_refused_{code}", address=wrong)


def _headers(message: Outgoing, *, reference: str) -> dict[str, str]:
    headers = {"Message-ID": reference, "Auto-Submitted": "auto-generated"}
    if message.unsubscribe:
        # RFC 8058, section 3.1: both, and the address a POST can be sent to without asking.
        headers["List-Unsubscribe"] = f"<{message.unsubscribe}>"
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return headers


def _page(text: Text) -> str:
    """The body with its addresses as links; all else is shown as it is written.

    Only whole addresses: a name such as "ink.example" must not lead to somebody's site.
    """
    # Words and addresses by turns.
    words = [
        format_html('<a href="{0}">{0}</a>', part) if place % 2 else escape(part)
        for place, part in enumerate(ADDRESS.split(text.body))
    ]
    return f"<html><body>{linebreaks(''.join(words))}</body></html>"


def _one_line(words: str) -> str:
    return " ".join(words.split())
