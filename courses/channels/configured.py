"""The ways out that the settings name."""

from pathlib import Path

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from courses.channels.mail import Mail
from courses.channels.outbox import FileOutbox
from courses.channels.port import Sender, Senders
from courses.channels.sms import HttpSms
from courses.vocabulary import Channel


def configured_senders() -> Senders:
    """A sender for each channel in the setting FALLOW_SENDERS: `outbox`, `mail` or `http`.

    A channel that is not named there is not used. Calls need no sender: people make them. Raises
    ImproperlyConfigured.
    """
    return {
        Channel(channel): _sender(Channel(channel), kind=kind)
        for channel, kind in settings.FALLOW_SENDERS.items()
    }


def _sender(channel: Channel, *, kind: str) -> Sender:
    match channel, kind:
        case ((Channel.EMAIL | Channel.SMS), "outbox"):
            return FileOutbox(Path(settings.FALLOW_OUTBOX_DIR))
        case Channel.EMAIL, "mail":
            return Mail(settings.DEFAULT_FROM_EMAIL)
        case Channel.SMS, "http":
            return HttpSms(
                settings.FALLOW_SMS_ENDPOINT,
                settings.FALLOW_SMS_SECRET,
                honours_keys=settings.FALLOW_SMS_HONOURS_KEYS,
            )
        case _:
            raise ImproperlyConfigured(f"FALLOW_SENDERS: {channel} cannot be sent by {kind!r}.")


def reachable_channels() -> frozenset[Channel]:
    """The channels by which a patient can be reached: those with a sender, and calls."""
    return frozenset(Channel(channel) for channel in settings.FALLOW_SENDERS) | {Channel.PHONE}
