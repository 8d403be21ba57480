"""E-mail through Django's backend.

Mail knows no keys: a worker that dies after the server took the letter, and before it said so in
the database, sends it again (at least once). The Message-ID is made from the key, so that the
copies are one letter to programs that look at it (RFC 5322, section 3.6.4).
"""

from dataclasses import dataclass
from email.utils import formataddr, parseaddr
from smtplib import (
    SMTPDataError,
    SMTPException,
    SMTPRecipientsRefused,
)

from django.core.mail import EmailMultiAlternatives
from django.utils.html import escape, linebreaks

from courses.channels.port import Delivery, Outgoing, Refusal, TemporaryTrouble, Text

PERMANENT = 500


@dataclass(frozen=True, slots=True)
class Mail:
    """Sends from `from_address`, under the name of the clinic."""

    from_address: str

    def send(self, message: Outgoing, *, text: Text, key: str) -> Delivery:
        """See the port."""
        _, address = parseaddr(self.from_address)
        reference = f"<{key}@{address.rpartition('@')[2] or 'localhost'}>"
        mail = EmailMultiAlternatives(
            subject=_one_line(text.subject),
            body=text.body,
            from_email=formataddr((_one_line(message.sender_name), address)),
            to=[message.address],
            headers={"Message-ID": reference, "Auto-Submitted": "auto-generated"},
        )
        mail.attach_alternative(_page(text), "text/html")
        _hand_over(mail)
        return Delivery(reference=reference)


def _hand_over(mail: EmailMultiAlternatives) -> None:
    try:
        mail.send()
    except SMTPRecipientsRefused as error:
        codes = [code for code, _ in error.recipients.values()]
        if codes and min(codes) >= PERMANENT:
            raise Refusal(f"recipient_refused_{min(codes)}") from error
        raise TemporaryTrouble("recipient_deferred") from error
    except SMTPDataError as error:
        if error.smtp_code >= PERMANENT:
            raise Refusal(f"letter_refused_{error.smtp_code}") from error
        raise TemporaryTrouble(f"letter_deferred_{error.smtp_code}") from error
    except (SMTPException, OSError) as error:
        # A wrong password or sender is ours to mend, not the patient's: it is tried again.
        raise TemporaryTrouble("mail_server_trouble") from error


def _page(text: Text) -> str:
    return f"<html><body>{linebreaks(escape(text.body))}</body></html>"


def _one_line(words: str) -> str:
    return " ".join(words.split())
