"""What is not to be had, and which appointments that hits."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from clinics.querysets import HasChain
from core.db import from_range
from core.prepared import Prepared
from core.spans import Span
from courses.models import Appointment, Replan
from courses.selectors.appointments import open_at
from courses.vocabulary import AppointmentStatus, OutageKind

# Whatever happens at a clinic happens in one of its rooms.
RESOURCES: Final = Prepared("""
    SELECT 'room', room.id, room.resource_id FROM clinics_room AS room
    JOIN clinics_clinic AS clinic ON clinic.id = room.clinic_id
    WHERE room.id = ANY (%(room)s::bigint[]) AND clinic.chain_id = %(chain)s::bigint
    UNION ALL SELECT 'clinic', clinic.id, room.resource_id FROM clinics_room AS room
    JOIN clinics_clinic AS clinic ON clinic.id = room.clinic_id
    WHERE clinic.id = ANY (%(clinic)s::bigint[]) AND clinic.chain_id = %(chain)s::bigint
    UNION ALL SELECT 'operator', id, resource_id FROM clinics_staffmember
    WHERE id = ANY (%(operator)s::bigint[]) AND chain_id = %(chain)s::bigint
    UNION ALL SELECT 'laser', id, resource_id FROM devices_laser
    WHERE id = ANY (%(laser)s::bigint[]) AND chain_id = %(chain)s::bigint
    UNION ALL SELECT 'handpiece', id, resource_id FROM devices_handpiece
    WHERE id = ANY (%(handpiece)s::bigint[]) AND chain_id = %(chain)s::bigint
""")

HIT: Final = Prepared("""
    SELECT DISTINCT own.source, asked.number
    FROM unnest(
        %(numbers)s::int[], %(resources)s::bigint[],
        %(starts)s::timestamptz[], %(ends)s::timestamptz[]
    ) AS asked (number, resource, since, until)
    JOIN clinics_reservation AS own
    ON own.resource_id = asked.resource AND own.period && tstzrange(asked.since, asked.until)
    WHERE own.reason IN ('appointment', 'hold') AND own.source LIKE 'appointment:%%'
    AND upper(own.period) > %(now)s::timestamptz
""")


@dataclass(frozen=True, slots=True)
class Outage:
    """A laser, person, room, handpiece or clinic (its primary key) is not to be had for a span."""

    kind: OutageKind
    subject_id: int
    span: Span


@dataclass(frozen=True, slots=True)
class Broken:
    """An outage with the resources that it takes away."""

    outage: Outage
    resource_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Hit:
    """An appointment that outages hit; `by` are their positions.

    `movable`: booked and still to come. A hold ends by itself, and who has arrived is there.
    """

    appointment: Appointment
    by: tuple[int, ...]
    movable: bool


def outages_of(replan: Replan) -> list[Outage]:
    """The outages of a re-plan, in their order. One query."""
    return [
        Outage(OutageKind(row.kind), row.subject_id, from_range(row.period))
        for row in replan.outages.order_by("pk")
    ]


def broken_by(outages: Sequence[Outage], *, actor: HasChain) -> list[Broken]:
    """The outages with the resources of the actor's chain that each takes away. One query."""
    asked: dict[str, list[int]] = {kind.value: [] for kind in OutageKind}
    for outage in outages:
        asked[outage.kind].append(outage.subject_id)
    resources: dict[tuple[str, int], list[int]] = defaultdict(list)
    for kind, subject_id, resource_id in RESOURCES.rows(chain=actor.chain_id, **asked):
        resources[kind, subject_id].append(resource_id)
    return [
        Broken(outage, tuple(sorted(resources[outage.kind, outage.subject_id])))
        for outage in outages
    ]


def hits_of(broken: Sequence[Broken], *, actor: HasChain, now: datetime) -> list[Hit]:
    """Every appointment that stands, is not over, and needs what is broken; in order of time.

    Each with clinic, course, patient and handpieces. Three queries for any number.
    """
    asked = [
        (number, pk, one.outage.span.start, one.outage.span.end)
        for number, one in enumerate(broken)
        for pk in one.resource_ids
    ]
    if not asked:
        return []
    numbers, resources, starts, ends = (list(column) for column in zip(*asked, strict=True))
    by: dict[int, set[int]] = defaultdict(set)
    for source, number in HIT.rows(
        numbers=numbers, resources=resources, starts=starts, ends=ends, now=now
    ):
        by[int(source.partition(":")[2])].add(number)
    return [
        Hit(one, tuple(sorted(by[one.pk])), is_movable(one, now=now))
        for one in _standing(by, actor=actor, now=now)
    ]


def is_movable(appointment: Appointment, *, now: datetime) -> bool:
    """Whether a re-plan may give the appointment another slot."""
    return appointment.status == AppointmentStatus.BOOKED and appointment.starts_at > now


def handpiece_ids(appointment: Appointment) -> tuple[int, ...]:
    """The handpieces of an appointment that was read with them."""
    return tuple(sorted(one.pk for one in appointment.handpieces.all()))


def _standing(
    pks: Iterable[int] | Mapping[int, Any], *, actor: HasChain, now: datetime
) -> list[Appointment]:
    rows = Appointment.objects.visible_to(actor).filter(open_at(now), pk__in=list(pks))
    related = rows.select_related("clinic", "course__patient").prefetch_related("handpieces")
    return list(related.order_by("starts_at", "pk"))
