"""Where else an appointment could be, once it cannot or shall not stay where it is."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from clinics.hours import zone_named
from clinics.hours.wall_time import local_day_end
from clinics.querysets import HasChain
from core.spans import Span
from courses.models import Appointment
from courses.selectors.plans import visit_plan
from courses.selectors.sequence import why_too_early
from courses.selectors.slots import Found, SearchOrder, slots_for_plan
from courses.selectors.visits import timeline_from_json
from courses.slots import TimeWish


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What the patient would accept instead; without clinics the one that was booked.

    Searched are the `days` after the advised day, and what lies between the earliest day and it.
    """

    clinics: Mapping[int, float] = field(default_factory=dict)
    wishes: tuple[TimeWish, ...] = ()
    operator_ids: frozenset[int] | None = None
    days: int = 28
    limit: int = 5


def slots_instead_of(
    appointment: Appointment, *, wish: Elsewhere, actor: HasChain, now: datetime
) -> Found:
    """Slots for the same visit from the earliest day on that its course allows, or what bound.

    Expects the clinic with the appointment. Seven queries. Raises NothingToTreat.
    """
    earliest = why_too_early([appointment], now=now)[appointment.pk].earliest
    plan = replace(visit_plan(appointment.course_id, actor=actor), earliest=earliest)
    start = max(now, earliest.closes_at or now)
    end = start
    if earliest.advised_on is not None:
        end = max(end, local_day_end(earliest.advised_on, zone_named(appointment.clinic.time_zone)))
    order = SearchOrder(
        span=Span(start, end + timedelta(days=wish.days)),
        clinics=wish.clinics or {appointment.clinic_id: 1.0},
        wishes=wish.wishes,
        operator_ids=wish.operator_ids,
        timeline=timeline_from_json(appointment.timeline),
        limit=wish.limit,
    )
    return slots_for_plan(plan, order=order, actor=actor, now=now)
