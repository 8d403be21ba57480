"""Text messages through any provider that speaks this small protocol over HTTP.

    POST <endpoint>
    Authorization: Bearer <secret>
    Idempotency-Key: "<key>"
    Content-Type: application/json

    {"to": "+4930123456", "text": "Hello ...", "sender": "Harbour", "reference": "<key>"}

`sender` is as much of the clinic's name as a sender may be long; it is missing where nothing of the
name can be sent so.

The provider answers 2xx with `{"id": "<its own reference>"}`, also to a key that it has seen,
without sending again. 408, 409, 425, 429 and 5xx mean: later (`Retry-After` is kept, seconds or a
date). After 5xx, and when nothing is heard once the request was on its way, nobody knows whether
it was sent.
401 and 403 mean that our secret is wrong: later too. Any other status means that this message is
never taken; with `{"error": "recipient"}` because of the number, which is then turned off. What
becomes of a message is told later at `/api/v1/delivery-callbacks` under its `reference`. For a
provider without keys say so (FALLOW_SMS_HONOURS_KEYS=false): a text message
then leaves *at most once*, and one whose outcome nobody knows is shown to the front desk.
"""

import http.client
import json
import ssl
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Final
from urllib.parse import urlsplit

from django.core.exceptions import ImproperlyConfigured

from courses.channels.port import Delivery, Outgoing, Refusal, TemporaryTrouble, Text
from courses.channels.segments import sms_sender

TIMEOUT_SECONDS: Final = 10.0
LONGEST_ANSWER: Final = 64 * 1024
LONGEST_S: Final = 24 * 60 * 60
MOST_DIGITS: Final = 9
LATER: Final = frozenset({401, 403, 408, 409, 425, 429})
LOOPBACK: Final = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True, slots=True)
class HttpSms:
    """Posts to `endpoint`. Raises ImproperlyConfigured unless it is https (or this machine)."""

    endpoint: str
    secret: str = field(repr=False)
    timeout_s: float = TIMEOUT_SECONDS
    honours_keys: bool = True

    def __post_init__(self) -> None:
        parts = urlsplit(self.endpoint)
        if parts.scheme != "https" and not (parts.scheme == "http" and parts.hostname in LOOPBACK):
            raise ImproperlyConfigured("The SMS endpoint must be an https address.")

    def send(self, message: Outgoing, *, text: Text, key: str) -> Delivery:
        """See the port."""
        body = {"to": message.address, "text": text.body, "reference": key}
        if sender := sms_sender(message.sender_name):
            body["sender"] = sender
        headers = {
            "Authorization": f"Bearer {self.secret}",
            "Content-Type": "application/json",
            "Idempotency-Key": f'"{key}"',
        }
        status, pause, answer = self._post(json.dumps(body).encode(), headers=headers)
        if 200 <= status < 300:
            return Delivery(reference=_reference(answer))
        if status in LATER or status >= 500:
            raise TemporaryTrouble(
                f"provider_answered_{status}",
                retry_after=pause,
                may_have_left=status >= 500,
            )
        at_fault = _told(answer).get("error") == "recipient"
        raise Refusal(f"provider_refused_{status}", address=at_fault)

    def _post(self, body: bytes, *, headers: dict[str, str]) -> tuple[int, timedelta | None, bytes]:
        """Status, pause asked for, and body of the answer. Redirects are not followed."""
        link = self._connection()
        parts = urlsplit(self.endpoint)
        target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        try:
            _connect(link)
            link.request("POST", target, body=body, headers=headers)
            answer = link.getresponse()
            pause = pause_asked(answer.headers.get("Retry-After", ""), at=datetime.now(UTC))
            return answer.status, pause, answer.read(LONGEST_ANSWER)
        except (OSError, http.client.HTTPException) as error:
            raise TemporaryTrouble("provider_unreachable", may_have_left=True) from error
        finally:
            link.close()

    def _connection(self) -> http.client.HTTPConnection:
        parts = urlsplit(self.endpoint)
        host = parts.hostname or ""
        if parts.scheme == "https":
            return http.client.HTTPSConnection(
                host, parts.port, timeout=self.timeout_s, context=ssl.create_default_context()
            )
        return http.client.HTTPConnection(host, parts.port, timeout=self.timeout_s)


def _reference(answer: bytes) -> str:
    return str(_told(answer).get("id", ""))[:200]


def _told(answer: bytes) -> dict[str, object]:
    try:
        told = json.loads(answer)
    except (ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _connect(link: http.client.HTTPConnection) -> None:
    """Find, reach and trust the provider: until then nothing has been said."""
    try:
        link.connect()
    except (OSError, http.client.HTTPException, UnicodeError) as error:
        # UnicodeError: a host that can be no name.
        raise TemporaryTrouble("provider_unreachable") from error


def pause_asked(retry_after: str, *, at: datetime) -> timedelta | None:
    """What Retry-After says (RFC 9110, section 10.2.3), a day at most; None for no sense."""
    said = retry_after.strip()
    if said.isascii() and said.isdecimal():
        # Digits without end are no number that anybody waits for.
        digits = said.lstrip("0")
        seconds = int(digits or 0) if len(digits) <= MOST_DIGITS else LONGEST_S
        return timedelta(seconds=min(seconds, LONGEST_S))
    try:
        until = parsedate_to_datetime(said)
        # Of the old forms of a date one names no zone: it is UTC too (section 5.6.7).
        pause = (until if until.tzinfo else until.replace(tzinfo=UTC)) - at
    except (TypeError, ValueError, OverflowError):
        return None
    return min(max(pause, timedelta(0)), timedelta(seconds=LONGEST_S))
