"""Builders of counters and readings; invented, as small as needed."""

import base64
from datetime import datetime, timedelta
from typing import Any

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import StaffMember
from devices.models import Counter, CounterReading, Handpiece, Installation, Laser, Part
from devices.vocabulary import CounterKind, PartKind, ReadingOccasion
from tests.support.factories import LONG_AGO, instant, make_staff, number

DAY_START = instant("2026-03-02T08:00Z")


def make_counter(
    device: Laser | Handpiece, *, kind: CounterKind | None = None, **fields: Any
) -> Counter:
    """A counter of the laser itself, or of the handpiece."""
    of_laser = isinstance(device, Laser)
    usual = CounterKind.LASER if of_laser else CounterKind.HANDPIECE
    return Counter.objects.create(
        chain=device.chain,
        kind=kind or usual,
        laser=device if of_laser else None,
        handpiece=None if of_laser else device,
        **fields,
    )


def make_reading(
    counter: Counter,
    value: int,
    *,
    read_at: datetime | None = None,
    hours: float = 0,
    read_by: StaffMember | None = None,
    **fields: Any,
) -> CounterReading:
    """What a counter showed so many hours into the day, written as it is: no rule is asked."""
    return CounterReading.objects.create(
        counter=counter,
        value=value,
        read_at=read_at or DAY_START + timedelta(hours=hours),
        read_by=read_by or make_staff(counter.chain),
        **{"occasion": ReadingOccasion.DAILY, **fields},
    )


def make_installation(
    device: Laser | Handpiece,
    *,
    kind: PartKind = PartKind.COUNTER,
    since: datetime = LONG_AGO,
    serial: str = "",
) -> Installation:
    """The record that a part was put into the device."""
    part = Part.objects.create(chain=device.chain, kind=kind, serial=serial or f"P-{number()}")
    place = {"laser": device} if isinstance(device, Laser) else {"handpiece": device}
    return Installation.objects.create(
        part=part,
        period=DateTimeTZRange(since, None),
        installed_by=make_staff(device.chain),
        **place,
    )


def csv_body(text: str | bytes, layout: int, *, dry_run: bool = False) -> dict[str, Any]:
    """The body of an import."""
    raw = text.encode() if isinstance(text, str) else text
    content = base64.b64encode(raw).decode()
    return {"layout": layout, "content_base64": content, "dry_run": dry_run}
