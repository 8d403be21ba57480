"""What patients answer at the address in a message: each kind of answer has one effect."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from clinics.access import Actor, Grant
from clinics.vocabulary import Role
from core.db import command, step
from courses import locks
from courses.errors import ReplyNotOffered, ReplyOver, field_malformed
from courses.models import Message, RecallPause, Reply
from courses.selectors.recalls.replies import Offer, message_at, offer_of
from courses.selectors.visits import Visit
from courses.services.booking import appointment_book
from courses.services.consents import Said, consents_write
from courses.timing import PURPOSE
from courses.timing.words import ConsentDecision, MessagePurpose, ReplyKind
from courses.vocabulary import RecallKind

LONGEST_PAUSE: Final = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Answered:
    """What stands now; `again`: it stood before, and nothing was done."""

    reply: Reply
    again: bool


@command
def reply_book(*, message_id: int, visit: Visit, now: datetime) -> Answered:
    """Book a visit that the message invites to. A repeat books nothing further.

    Raises ReplyOver, ReplyNotOffered, and as `appointment_book`.
    """
    offer = _locked_offer(message_id, now=now, kind=ReplyKind.BOOK)
    if offer.replied is not None:
        return Answered(offer.replied, again=True)
    course = offer.message.recall.course
    appointment = appointment_book(
        course_id=course.pk, visit=visit, actor=patient_actor(course.chain_id), now=now
    )
    reply = _write(offer.message, ReplyKind.BOOK, now=now, appointment_id=appointment.pk)
    return Answered(reply, again=False)


@command
def reply_later(*, message_id: int, until: date, now: datetime) -> Answered:
    """Invite no more before a day; from then on invitations begin anew.

    Raises ReplyOver, ReplyNotOffered, FieldsMalformed for a day that is past or too far away.
    """
    offer = _locked_offer(message_id, now=now, kind=ReplyKind.LATER)
    if offer.replied is not None:
        return Answered(offer.replied, again=True)
    check_until(until, now=now)
    RecallPause.objects.create(
        course=offer.message.recall.course, until=until, reason="asked_for_later", set_at=now
    )
    return Answered(_write(offer.message, ReplyKind.LATER, now=now, until=until), again=False)


@command
def reply_stop(*, message_id: int, everything: bool, now: datetime, source: str) -> Answered:
    """No more messages of this purpose (or of any) on this channel. A repeat changes nothing."""
    locks.lock_course(pk=message_at(message_id).recall.course_id)
    message = message_at(message_id)
    said = Reply.objects.filter(message=message, kind=ReplyKind.STOP).first()
    purposes = tuple(MessagePurpose) if everything else (PURPOSE[RecallKind(message.recall.kind)],)
    point = message.contact_point
    new = tuple(one for one in purposes if one not in point.opted_out)
    if new:
        decision = Said(decision=ConsentDecision.WITHDRAWN, source=source, purposes=new)
        consents_write(point, said=decision, recorded_by_id=None, now=now)
    reply = said or _write(message, ReplyKind.STOP, now=now)
    return Answered(reply, again=said is not None and not new)


def patient_actor(chain_id: int) -> Actor:
    """Whoever holds a patient's link: no member of staff, and may book this one visit."""
    # The rights of a front desk, used by `reply_book` alone, after the link was found good.
    grants = (Grant(role=Role.FRONT_DESK, clinic_id=None),)
    nobody: int = None  # type: ignore[assignment]
    return Actor(user_id=nobody, staff_id=nobody, staff_name="", chain_id=chain_id, grants=grants)


def check_until(until: date, *, now: datetime) -> None:
    """Raise FieldsMalformed unless the day is to come, and within a year."""
    if not now.date() < until <= (now + LONGEST_PAUSE).date():
        raise field_malformed(
            "/until", code="out_of_range", detail="Name a day to come, within a year."
        )


@step
def _locked_offer(message_id: int, *, now: datetime, kind: ReplyKind) -> Offer:
    # The course's lock orders all answers to its messages, and bookings.
    locks.lock_course(pk=message_at(message_id).recall.course_id)
    offer = offer_of(message_id, now=now, kind=kind)
    if offer.replied is not None:
        return offer
    if offer.over:
        raise ReplyOver
    if not offer.invites:
        raise ReplyNotOffered(kind=kind)
    return offer


@step
def _write(
    message: Message,
    kind: ReplyKind,
    *,
    now: datetime,
    appointment_id: int | None = None,
    until: date | None = None,
) -> Reply:
    return Reply.objects.create(
        message=message, kind=kind, appointment_id=appointment_id, until=until, replied_at=now
    )
