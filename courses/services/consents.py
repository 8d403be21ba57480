"""What patients say about messages is written down, never changed, and counts at once."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from clinics.access import Actor
from core.db import command, step
from courses import locks
from courses.errors import ContactPointUnknown, field_malformed
from courses.models import Consent, ContactPoint
from courses.timing.words import ConsentDecision, MessagePurpose

ALL_PURPOSES: Final = tuple(MessagePurpose)


@dataclass(frozen=True, slots=True)
class Said:
    """What a patient said, how, and when (`decided_at` None: now)."""

    decision: ConsentDecision
    source: str
    purposes: tuple[MessagePurpose, ...] = ALL_PURPOSES
    decided_at: datetime | None = None


@command
def consent_record(
    *, contact_point_id: int, said: Said, actor: Actor, now: datetime
) -> list[Consent]:
    """Record that a patient allows messages for these purposes, or wants no more of them.

    An opt-out counts for every address of the same channel. The newest by `decided_at` counts.
    Raises ContactPointUnknown, NotAllowed, FieldsMalformed.
    """
    actor.require("contact_point.write")
    point = _visible_point(contact_point_id, actor=actor)
    return consents_write(point, said=said, recorded_by_id=actor.staff_id, now=now)


@command
def contact_point_opt_out(
    *,
    contact_point_id: int,
    said: Said,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> list[Consent]:
    """The patient wants no more messages on this channel. Safe to repeat: the first time counts.

    Raises ContactPointUnknown, NotAllowed, Stale.
    """
    actor.require("contact_point.write")
    point = _visible_point(contact_point_id, actor=actor)
    point.check_version(expected_version)
    new = tuple(one for one in said.purposes if one not in point.opted_out)
    said = replace(said, purposes=new)
    return consents_write(point, said=said, recorded_by_id=actor.staff_id, now=now)


@step
def consents_write(
    point: ContactPoint,
    *,
    said: Said,
    recorded_by_id: int | None,
    now: datetime,
    pointer: str = "",
) -> list[Consent]:
    """Write the decision on a contact point; an opt-out on all of the patient's on its channel.

    For whoever answers without a sign-in too (`recorded_by_id` None). What waits to be sent is
    asked again when it is claimed and just before it leaves, so that an opt-out counts at once.
    Raises FieldsMalformed for a decision of the future; `pointer` is where the request had it.
    """
    decided_at = said.decided_at or now
    if decided_at > now:
        raise field_malformed(
            f"{pointer}/decided_at", code="in_the_future", detail="It was decided, not to come."
        )
    same = ContactPoint.objects.filter(patient=point.patient_id, channel=point.channel)
    points = locks.lock_contact_points(same.values_list("pk", flat=True))
    if said.decision is ConsentDecision.GIVEN:
        points = [one for one in points if one.pk == point.pk]
    return Consent.objects.bulk_create(
        Consent(
            contact_point=one,
            purpose=purpose,
            decision=said.decision,
            decided_at=decided_at,
            source=said.source,
            address=one.address,
            recorded_by_id=recorded_by_id,
            recorded_at=now,
        )
        for one in points
        for purpose in sorted(set(said.purposes))
    )


@step
def _visible_point(contact_point_id: int, *, actor: Actor) -> ContactPoint:
    point: ContactPoint | None = (
        ContactPoint.objects.visible_to(actor).filter(pk=contact_point_id).first()
    )
    if point is None:
        raise ContactPointUnknown(contact_point=contact_point_id)
    locks.refuse_erased(point.patient)
    return point
