"""The port: what every way out can do, and the two ways in which it says that it did not."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol

from courses.vocabulary import Channel


@dataclass(frozen=True, slots=True)
class Text:
    """What is said. `subject` is left out where the channel has none."""

    subject: str
    body: str


@dataclass(frozen=True, slots=True)
class Outgoing:
    """To whom, in whose name, and where a mail program can end it with one click."""

    channel: Channel
    address: str
    sender_name: str
    unsubscribe: str = ""


@dataclass(frozen=True, slots=True)
class Delivery:
    """The provider took it; `reference` is its own name for it."""

    reference: str


class TemporaryTrouble(Exception):
    """It did not leave, or nobody knows; send it again later, with the same key.

    `reason` is a short word for the record and holds nothing personal. `may_have_left`: nobody
    knows; a way out without keys does not try again then.
    """

    def __init__(
        self, reason: str, *, retry_after: timedelta | None = None, may_have_left: bool = False
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.retry_after = retry_after
        self.may_have_left = may_have_left


class Refusal(Exception):
    """The channel will never take this; `reason` as above. `address`: whatever it says."""

    def __init__(self, reason: str, *, address: bool = False) -> None:
        super().__init__(reason)
        self.reason = reason
        self.address = address


class Sender(Protocol):
    """A way out.

    `honours_keys`: a repeat with the same key has no second effect, so that what was interrupted
    is sent again. Without keys a message leaves at most once: one whose outcome nobody knows is
    not repeated, and the front desk sees it.
    """

    @property
    def honours_keys(self) -> bool:
        """Whether a repeat is harmless."""
        ...

    def send(self, message: Outgoing, *, text: Text, key: str) -> Delivery:
        """Hand the message to the provider under a `key` that is the same for every attempt.

        Raises TemporaryTrouble and Refusal. Runs outside of any transaction.
        """
        ...


Senders = Mapping[Channel, Sender]
