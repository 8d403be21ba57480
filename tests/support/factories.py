"""Builders of rows for tests: an invented organisation, as small as a test needs it.

Each builder takes what the test cares about and makes up the rest. Devices and courses have
theirs in `tests/support/devices.py` and `tests/support/courses.py`.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from itertools import count
from typing import Any

from django.contrib.auth import get_user_model
from django.db.backends.postgresql.psycopg_any import DateRange, DateTimeTZRange
from django.utils import timezone

from clinics.access import Actor, Grant
from clinics.models import (
    Chain,
    Clinic,
    Credential,
    Membership,
    OpeningRule,
    Reservation,
    Resource,
    Room,
    Shift,
    StaffMember,
)
from clinics.vocabulary import CredentialKind, ReservationReason, ResourceKind, Role
from core.db import as_range
from core.spans import Span
from core.vocabulary import ReservationStatus

EVERY_DAY = tuple(range(1, 8))
LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)
PASSWORD = "violet-lantern-42"

_numbers = count(1)


def number() -> int:
    """A number no other row of this test run has: for names that must be unique."""
    return next(_numbers)


def instant(text: str) -> datetime:
    """An aware instant from ISO 8601 (`2026-03-02T09:00Z`, or with another offset)."""
    parsed = datetime.fromisoformat(text)
    assert parsed.tzinfo is not None, f"{text} needs an offset"
    return parsed


def span(start: str | datetime, *, minutes: float = 60) -> Span:
    """A span from `start` for so many minutes."""
    begins = instant(start) if isinstance(start, str) else start
    return Span(begins, begins + timedelta(minutes=minutes))


def make_chain(**fields: Any) -> Chain:
    """A chain."""
    return Chain.objects.create(**{"name": f"Chain {number()}", **fields})


def make_clinic(chain: Chain | None = None, **fields: Any) -> Clinic:
    """A clinic on UTC that keeps the public holidays of Germany, without opening rules."""
    defaults = {"name": f"Clinic {number()}", "time_zone": "UTC", "country": "DE"}
    return Clinic.objects.create(chain=chain or make_chain(), **{**defaults, **fields})


def make_opening_week(
    clinic: Clinic,
    *,
    opens: time = time(9),
    closes: time = time(17),
    weekdays: Iterable[int] = EVERY_DAY,
    valid_from: date = date(2020, 1, 1),
    valid_until: date | None = None,
) -> list[OpeningRule]:
    """The clinic is open on these weekdays, in its local wall time."""
    return [
        OpeningRule.objects.create(
            clinic=clinic,
            weekday=weekday,
            opens=opens,
            closes=closes,
            valid_during=DateRange(valid_from, valid_until),
        )
        for weekday in weekdays
    ]


def make_resource(
    chain: Chain, kind: ResourceKind = ResourceKind.LASER, *, clinic: Clinic | None = None
) -> Resource:
    """Something that can be busy, and nothing else."""
    return Resource.objects.create(chain=chain, kind=kind, clinic=clinic)


def make_room(clinic: Clinic | None = None, **fields: Any) -> Room:
    """A laser-controlled room, cleared for 532 and 1064 nm."""
    clinic = clinic or make_clinic()
    resource = make_resource(clinic.chain, ResourceKind.ROOM, clinic=clinic)
    defaults = {"name": f"Room {number()}", "cleared_wavelengths_nm": [532, 1064]}
    return Room.objects.create(clinic=clinic, resource=resource, **{**defaults, **fields})


def make_staff(chain: Chain | None = None, *, user: bool = False, **fields: Any) -> StaffMember:
    """A member of staff; with `user`, one who can sign in with PASSWORD."""
    chain = chain or make_chain()
    if user:
        fields["user"] = get_user_model().objects.create_user(
            f"person-{number()}", password=PASSWORD
        )
    return StaffMember.objects.create(
        chain=chain,
        resource=make_resource(chain, ResourceKind.STAFF),
        **{"name": f"Person {number()}", **fields},
    )


def make_membership(
    staff: StaffMember,
    role: Role,
    *,
    clinic: Clinic | None = None,
    since: datetime = LONG_AGO,
    until: datetime | None = None,
) -> Membership:
    """A role at a clinic, or in the whole chain."""
    return Membership.objects.create(
        staff_member=staff, role=role, clinic=clinic, valid_during=DateTimeTZRange(since, until)
    )


def make_credential(
    staff: StaffMember,
    *,
    kind: CredentialKind = CredentialKind.LASER_OPERATION,
    wavelengths_nm: Iterable[int] = (),
    since: date = date(2020, 1, 1),
    until: date | None = None,
) -> Credential:
    """What a member of staff is trained for; any wavelength unless some are named."""
    return Credential.objects.create(
        staff_member=staff,
        kind=kind,
        wavelengths_nm=list(wavelengths_nm),
        valid_during=DateRange(since, until),
    )


def make_shift(staff: StaffMember, clinic: Clinic, when: Span) -> Shift:
    """A member of staff works at a clinic."""
    return Shift.objects.create(staff_member=staff, clinic=clinic, period=as_range(when))


def make_reservation(resource: Resource, when: Span, **fields: Any) -> Reservation:
    """A resource is busy; a firm appointment unless said otherwise."""
    defaults = {
        "reason": ReservationReason.APPOINTMENT,
        "status": ReservationStatus.BUSY,
        "source": f"appointment:{number()}",
    }
    return Reservation.objects.create(
        resource=resource, period=as_range(when), **{**defaults, **fields}
    )


def make_hold(resource: Resource, when: Span, *, expires_at: datetime) -> Reservation:
    """A resource is held until `expires_at`."""
    return make_reservation(
        resource,
        when,
        reason=ReservationReason.HOLD,
        status=ReservationStatus.BUSY_TENTATIVE,
        expires_at=expires_at,
    )


def make_actor(
    role: Role = Role.CHAIN_MANAGER,
    *,
    chain: Chain | None = None,
    clinic: Clinic | None = None,
) -> Actor:
    """Somebody who holds the role, as services see them; the staff member is really there."""
    staff = make_staff(chain or (clinic.chain if clinic else None), user=True)
    make_membership(staff, role, clinic=clinic)
    return actor_of(staff, Grant(role=role, clinic_id=clinic.pk if clinic else None))


def actor_of(staff: StaffMember, *grants: Grant) -> Actor:
    """A member of staff with these grants."""
    return Actor(
        user_id=staff.user_id or 0,
        staff_id=staff.pk,
        staff_name=staff.name,
        chain_id=staff.chain_id,
        grants=grants,
    )


def now() -> datetime:
    """The present instant, as views pass it to services."""
    return timezone.now()
