"""Holds: a slot kept for some minutes. Each caller keeps a few at a time, and no more."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from clinics.access import Actor
from clinics.locks import lock_resources, lock_staff_member
from clinics.models import Chain
from clinics.services.reservations import release, resources_held_by
from core.db import command, step
from courses import locks
from courses.errors import HoldQuotaReached
from courses.selectors.appointments import holds_of
from courses.services.booking.writing import source_of
from courses.vocabulary import AppointmentStatus

MAX_HOLD = timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class Hold:
    """Keep the slot for a while: the patient is still deciding."""

    minutes: int

    def expires_at(self, now: datetime) -> datetime:
        """When the slot is free again, half an hour from now at the latest."""
        return now + min(timedelta(minutes=self.minutes), MAX_HOLD)


@step
def refuse_hoarding(*, actor: Actor, now: datetime) -> None:
    """Raise HoldQuotaReached when the caller keeps as many slots as the chain allows.

    Locks the caller's own row, before anything else is locked: two holds at once are counted one
    after the other. Holds that offer a gap are the waiting list's and do not count.
    """
    lock_staff_member(pk=actor.staff_id, actor=actor)
    held = holds_of(actor.staff_id, now=now).filter(gap_offer__isnull=True)
    expiries = [one.hold_expires_at for one in held if one.hold_expires_at is not None]
    limit = Chain.objects.visible_to(actor).values_list("holds_per_caller", flat=True).get()
    if len(expiries) >= limit:
        raise HoldQuotaReached(
            f"You hold {len(expiries)} slots already. Book or cancel one, or wait for one to"
            " expire.",
            limit=limit,
            live=len(expiries),
            next_expires_at=min(expiries).isoformat(),
        )


@command
def holds_expire(*, now: datetime, limit: int = 500) -> int:
    """Cancel holds whose time is over; how many there were.

    Nobody waits for this: bookings and searches do not count an expired hold.
    """
    expired = locks.lock_expired_holds(now=now, limit=limit)
    sources = [source_of(appointment) for appointment in expired]
    lock_resources(resources_held_by(*sources))
    for appointment, source in zip(expired, sources, strict=True):
        appointment.status = AppointmentStatus.CANCELLED
        appointment.status_reason = "hold expired"
        appointment.save()
        release(source=source)
    return len(expired)
