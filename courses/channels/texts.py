"""What patients read: plain, short, and nothing medical. Dates are the clinic's local ones."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from courses.channels.port import Text


@dataclass(frozen=True, slots=True)
class TextFacts:
    """What a text may speak of. `starts_at` is told in the clinic's `zone`."""

    given_name: str
    clinic: str
    zone: ZoneInfo
    starts_at: datetime | None = None
    ready_on: date | None = None


class UnknownTemplate(LookupError):
    """No text of that name is there."""


def text_for(template: str, facts: TextFacts) -> Text:
    """The text of that name. Raises UnknownTemplate."""
    try:
        return TEXTS[template](facts)
    except KeyError as fault:
        raise UnknownTemplate(template) from fault


def _letter(facts: TextFacts, *, subject: str, body: str) -> Text:
    return Text(subject=subject, body=f"Hello {facts.given_name},\n\n{body}\n\n{facts.clinic}\n")


def _day(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}"


def _time(facts: TextFacts) -> str:
    if facts.starts_at is None:
        return "the time we agreed"
    local = facts.starts_at.astimezone(facts.zone)
    return f"{_day(local.date())} at {local:%H:%M}"


def _invitation(facts: TextFacts) -> Text:
    return _letter(
        facts,
        subject=f"Your next visit to {facts.clinic}",
        body=(
            f"you can now book your next visit to {facts.clinic}. "
            "Please get in touch with us to find a time that suits you."
        ),
    )


def _invitation_ahead(facts: TextFacts) -> Text:
    when = f"from {_day(facts.ready_on)}" if facts.ready_on else "soon"
    return _letter(
        facts,
        subject=f"Your next visit to {facts.clinic}",
        body=(
            f"your next visit to {facts.clinic} can take place {when}. "
            "Please get in touch with us to find a time that suits you."
        ),
    )


def _invitation_again(facts: TextFacts) -> Text:
    return _letter(
        facts,
        subject=f"Your next visit to {facts.clinic}",
        body=(
            f"you have not booked your next visit to {facts.clinic} yet. "
            "We would like to hear from you, also if you want to wait or to stop."
        ),
    )


def _reminder(facts: TextFacts) -> Text:
    local = facts.starts_at.astimezone(facts.zone) if facts.starts_at else None
    on = f" on {local.day} {local:%B}" if local else ""
    return _letter(
        facts,
        subject=f"Your visit to {facts.clinic}{on}",
        body=(
            f"this is a reminder of your visit to {facts.clinic} on {_time(facts)}. "
            "If you cannot come, please tell us as early as you can."
        ),
    )


def _moved(facts: TextFacts) -> Text:
    return _letter(
        facts,
        subject=f"Your visit to {facts.clinic} has a new time",
        body=(
            f"we had to move your visit to {facts.clinic}. It is now on {_time(facts)}. "
            "If that does not suit you, please tell us and we will find another time."
        ),
    )


def _aftercare(facts: TextFacts) -> Text:
    return _letter(
        facts,
        subject=f"How are you? {facts.clinic}",
        body=(
            f"we hope that you are well after your visit to {facts.clinic}. "
            "If anything worries you, or you have a question, please call us."
        ),
    )


TEXTS: Final[Mapping[str, Callable[[TextFacts], Text]]] = {
    "invitation": _invitation,
    "invitation-ahead": _invitation_ahead,
    "invitation-again": _invitation_again,
    "reminder": _reminder,
    "moved": _moved,
    "aftercare": _aftercare,
}
