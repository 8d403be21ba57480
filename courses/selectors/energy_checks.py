"""What a failed energy check casts doubt on: sessions since the last good one, visits ahead."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from courses.models import Appointment, Session
from courses.selectors.appointments import open_at
from courses.vocabulary import SessionStatus
from devices.models import EnergyCheck
from devices.selectors.checks import last_check_before


@dataclass(frozen=True, slots=True)
class Doubt:
    """Sessions that fired the line through the handpiece from `since` (None: ever) to the check.

    `visits` are open appointments ahead on the laser that are to use its wavelength.
    """

    check: EnergyCheck
    last_good: EnergyCheck | None
    sessions: tuple[Session, ...]
    visits: tuple[Appointment, ...]


def doubt_of(check: EnergyCheck, *, now: datetime) -> Doubt:
    """What an energy check casts doubt on; nothing when it passed. Three queries at most."""
    if check.passed:
        return Doubt(check, check, (), ())
    good = last_check_before(check)
    return Doubt(
        check=check,
        last_good=good,
        sessions=tuple(_sessions(check, good=good)),
        visits=tuple(_visits(check, now=now)),
    )


def _sessions(check: EnergyCheck, *, good: EnergyCheck | None) -> Iterable[Session]:
    rows: Any = Session.objects.filter(
        laser=check.laser_id,
        passes__line=check.line_id,
        passes__handpiece=check.handpiece_id,
        passes__started_at__lte=check.checked_at,
    ).exclude(status=SessionStatus.ENTERED_IN_ERROR)
    if good is not None:
        rows = rows.filter(passes__started_at__gt=good.checked_at)
    found: Iterable[Session] = rows.distinct().order_by("started_at", "pk")
    return found


def _visits(check: EnergyCheck, *, now: datetime) -> Iterable[Appointment]:
    found: Iterable[Appointment] = (
        Appointment.objects.filter(
            open_at(now),
            laser=check.laser_id,
            ends_at__gt=now,
            wavelengths_nm__contains=[check.line.wavelength_nm],
        )
        .distinct()
        .order_by("starts_at", "pk")
    )
    return found
