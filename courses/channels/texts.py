"""What patients read: plain, short, and nothing medical. Dates are the clinic's local ones."""

from datetime import datetime
from zoneinfo import ZoneInfo

from courses.channels.port import Text


def invitation_text(*, given_name: str, clinic: str) -> Text:
    """The next visit can be booked."""
    return Text(
        subject=f"Your next visit to {clinic}",
        body=(
            f"Hello {given_name},\n\n"
            f"you can now book your next visit to {clinic}. "
            "Please get in touch with us to find a time that suits you.\n\n"
            f"{clinic}\n"
        ),
    )


def reminder_text(*, given_name: str, clinic: str, starts_at: datetime, zone: ZoneInfo) -> Text:
    """A visit is booked; `starts_at` is told in the clinic's `zone`."""
    local = starts_at.astimezone(zone)
    day = f"{local:%A} {local.day} {local:%B %Y}"
    return Text(
        subject=f"Your visit to {clinic} on {local.day} {local:%B}",
        body=(
            f"Hello {given_name},\n\n"
            f"this is a reminder of your visit to {clinic} on {day} at {local:%H:%M}. "
            "If you cannot come, please tell us as early as you can.\n\n"
            f"{clinic}\n"
        ),
    )


def change_text(*, given_name: str, clinic: str, starts_at: datetime, zone: ZoneInfo) -> Text:
    """A visit has been moved by the clinic; `starts_at` is its new time, told in `zone`."""
    local = starts_at.astimezone(zone)
    day = f"{local:%A} {local.day} {local:%B %Y}"
    return Text(
        subject=f"Your visit to {clinic} has a new time: {local.day} {local:%B}, {local:%H:%M}",
        body=(
            f"Hello {given_name},\n\n"
            f"we had to move your visit. It is now at {clinic} on {day} at {local:%H:%M}. "
            "We are sorry for the trouble. If the new time does not suit you, please tell us.\n\n"
            f"{clinic}\n"
        ),
    )
