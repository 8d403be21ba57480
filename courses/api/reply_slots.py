"""Times that are offered at a patient's address: found, sealed for a while, and read again."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from django.core import signing

from clinics.models import Clinic
from core.errors import Refused
from core.secrets_at_rest import InvalidToken, decrypt, encrypt
from core.spans import Span
from courses.errors import ReplyOver
from courses.selectors.recalls.replies import Offer
from courses.selectors.recalls.steps import clinic_of
from courses.selectors.slots import SearchOrder, slots_for
from courses.selectors.visits import Place, Visit, timeline_from_json, timeline_json
from courses.services.recalls.replies import patient_actor
from courses.slots import Slot, Timeline

AHEAD: Final = timedelta(days=42)
OFFERED: Final = 6
SLOT_SALT: Final = "courses.api.replies.slot"
SLOT_SECONDS: Final = 1800


@dataclass(frozen=True, slots=True)
class OfferedSlot:
    """A time at a clinic; `slot` is what is sent back to book it."""

    slot: str
    start: datetime
    end: datetime
    clinic: str
    time_zone: str


def offered_slots(offer: Offer, *, now: datetime) -> list[OfferedSlot]:
    """Times to choose from, none where nothing can be booked. Five queries at most.

    Why there are none is not for whoever looks over a shoulder.
    """
    if not offer.invites or offer.over:
        return []
    course = offer.message.recall.course
    # Where the course is led, and where the message says that the next visit is to be.
    places = {course.clinic_id, clinic_of(offer.message.recall).pk}
    order = SearchOrder(
        span=Span(now, now + AHEAD), clinics=dict.fromkeys(places, 1.0), limit=OFFERED
    )
    try:
        found = slots_for(course.pk, order=order, actor=patient_actor(course.chain_id), now=now)
    except Refused:
        return []
    slots = found.answer.slots
    clinics = Clinic.objects.in_bulk({slot.clinic_id for slot in slots})
    return [
        OfferedSlot(
            slot=_sealed(slot, timeline=found.timeline, message_id=offer.message.pk),
            start=slot.start,
            end=slot.end,
            clinic=clinics[slot.clinic_id].name,
            time_zone=clinics[slot.clinic_id].time_zone,
        )
        for slot in slots
    ]


def offered_visit(chosen: str, *, message_id: int) -> Visit:
    """The visit of an offered slot. Raises ReplyOver for one that was not offered, or long ago."""
    try:
        signed = decrypt(chosen)
        told = signing.loads(signed, salt=f"{SLOT_SALT}:{message_id}", max_age=SLOT_SECONDS)
    except (InvalidToken, signing.BadSignature) as error:
        raise ReplyOver("This time is not offered (any more); look again.") from error
    clinic, room, operator, laser = told["place"]
    return Visit(
        starts_at=datetime.fromtimestamp(told["start"], tz=UTC),
        timeline=timeline_from_json(told["segments"]),
        place=Place(
            clinic_id=clinic,
            room_id=room,
            operator_id=operator,
            laser_id=laser,
            handpiece_ids=tuple(told["handpieces"]),
        ),
        wavelengths_nm=tuple(told["nm"]),
    )


def _sealed(slot: Slot, *, timeline: Timeline, message_id: int) -> str:
    """All that the visit needs, for this message alone; nobody can read it, or make another."""
    told = {
        "start": slot.start.timestamp(),
        "place": [slot.clinic_id, slot.room_id, slot.operator_id, slot.laser_id],
        "handpieces": sorted(slot.handpiece_ids),
        "nm": sorted(slot.wavelengths_nm),
        "segments": timeline_json(timeline),
    }
    return encrypt(signing.dumps(told, salt=f"{SLOT_SALT}:{message_id}", compress=True))
