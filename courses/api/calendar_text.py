"""Events of a diary as an iCalendar object (RFC 5545, with the properties of RFC 7986)."""

from collections.abc import Sequence
from datetime import UTC, timedelta
from typing import Final
from uuid import UUID

from icalendar import Calendar, Event
from icalendar.enums import CLASS, STATUS, TRANSP

from courses.selectors.calendars import DiaryEvent

PRODUCT: Final = "-//Fallow//Diary//EN"
REFRESH: Final = timedelta(minutes=15)


def calendar_text(events: Sequence[DiaryEvent], *, name: str, uid: UUID) -> bytes:
    """The calendar as UTF-8 text; the same bytes for the same events.

    DTSTAMP is when the event last changed, as RFC 5545 (3.8.7.2) has it for a calendar without a
    METHOD.
    """
    calendar = Calendar.new(
        name=name,
        prodid=PRODUCT,
        uid=str(uid),
        refresh_interval=REFRESH,
        last_modified=max((event.changed_at.astimezone(UTC) for event in events), default=None),
        subcomponents=[_event(event) for event in events],
    )
    return bytes(calendar.to_ical())


def _event(event: DiaryEvent) -> Event:
    changed_at = event.changed_at.astimezone(UTC).replace(microsecond=0)
    return Event.new(
        uid=str(event.uid),
        start=event.span.start,
        end=event.span.end,
        summary=event.summary,
        location=event.location or None,
        status=STATUS(event.status.value),
        sequence=event.sequence,
        created=event.created_at.astimezone(UTC).replace(microsecond=0),
        last_modified=changed_at,
        stamp=changed_at,
        classification=CLASS.PRIVATE,
        transparency=TRANSP.OPAQUE,
    )
