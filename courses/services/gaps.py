"""Gaps filled from the waiting list: a slot held for one patient after the other.

A gap's row is locked before anything of its offers changes, so that answer, expiry and the next
turn follow one another. The reservations of the hold are what keeps anybody else out.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Final

from clinics.access import Actor
from clinics.locks import lock_resources
from clinics.querysets import HasChain
from clinics.services.reservations import resources_held_by
from core.db import as_range, command, step
from core.errors import DomainError
from courses import locks
from courses.errors import (
    EntryHasOffer,
    GapFitsNobody,
    GapOfferUnknown,
    GapUnknown,
    HoldExpired,
    StatusStepRefused,
)
from courses.models import Appointment, Gap, GapOffer
from courses.selectors.appointments import OPEN
from courses.selectors.gaps import (
    Candidate,
    OpenTime,
    gap_candidates,
    open_time_of,
    require_not_over,
    waiting_at,
)
from courses.selectors.visits import Visit, visit_resources
from courses.services.booking.outcomes import end_visit
from courses.services.booking.visits import confirm_visit, move_visit
from courses.services.booking.writing import (
    put_visit,
    require_apart,
    require_fit,
    running_course,
    source_of,
    write_visit,
)
from courses.vocabulary import AppointmentStatus, GapStatus, OfferStatus, WaitingStatus

MAX_TURNS: Final = 50


@command
def gap_offer_start(*, opened: OpenTime, hold_minutes: int, actor: Actor, now: datetime) -> Gap:
    """Offer open time to those who wait: the slot is held for the most overdue who fits.

    Raises NotAllowed, GapOver, GapFitsNobody.
    """
    actor.require_at(opened.clinic_id, "gap.write")
    require_not_over(opened, now=now)
    candidates = gap_candidates(opened, actor=actor, now=now, limit=MAX_TURNS)
    gap = Gap.objects.create(
        clinic_id=opened.clinic_id,
        period=as_range(opened.span),
        laser_id=opened.laser_id,
        hold_minutes=hold_minutes,
        started_by_id=actor.staff_id,
    )
    GapOffer.objects.bulk_create(
        GapOffer(gap=gap, entry=one.entry, position=position, overdue_days=one.overdue_days)
        for position, one in enumerate(candidates, start=1)
    )
    _offer_next(gap, candidates=candidates, scope=actor, now=now)
    if gap.status != GapStatus.OFFERING:
        waiting = waiting_at(opened.clinic_id, actor=actor).count()
        raise GapFitsNobody(waiting=waiting)
    return gap


@command
def gap_offer_accept(
    *, offer_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> GapOffer:
    """Book what is offered: the hold becomes the booking, or the later visit moves to it.

    Raises GapOfferUnknown, NotAllowed, Stale, StatusStepRefused (it is not on offer any more),
    HoldExpired, and as `appointment_confirm`.
    """
    gap, offer = _locked_offer(offer_id, actor=actor, version=expected_version)
    if offer.status != OfferStatus.OFFERED:
        raise StatusStepRefused(status=offer.status, wanted=OfferStatus.ACCEPTED)
    if offer.expires_at is None or offer.expires_at <= now:
        raise HoldExpired(offer=offer.pk)
    running_course(offer.entry.course_id, actor=actor)
    _book(offer, actor=actor, now=now)
    _accepted(gap, offer)
    return offer


@command
def gap_offer_decline(
    *,
    offer_id: int,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> GapOffer:
    """Record that the patient cannot come; the slot is held for the next in turn at once.

    Raises GapOfferUnknown, NotAllowed, Stale, StatusStepRefused.
    """
    gap, offer = _locked_offer(offer_id, actor=actor, version=expected_version)
    if offer.status != OfferStatus.OFFERED:
        raise StatusStepRefused(status=offer.status, wanted=OfferStatus.DECLINED)
    _take_back(offer, OfferStatus.DECLINED, reason=reason)
    _next_turn(gap, scope=actor, now=now)
    return offer


@command
def gap_withdraw(
    *, gap_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> Gap:
    """Offer a gap to nobody any more, and free what is held for it.

    Raises GapUnknown, NotAllowed, Stale, StatusStepRefused.
    """
    del now
    gap = _locked_gap(gap_id, actor=actor)
    gap.check_version(expected_version)
    if gap.status != GapStatus.OFFERING:
        raise StatusStepRefused(status=gap.status, wanted=GapStatus.WITHDRAWN)
    for offer in gap.offers.filter(status=OfferStatus.OFFERED):
        _take_back(offer, OfferStatus.WITHDRAWN, reason="the gap was withdrawn")
    _end_gap(gap, GapStatus.WITHDRAWN)
    return gap


def gaps_advance(*, now: datetime, limit: int = 200) -> int:
    """Give the next in turn theirs wherever an offer has expired; how many gaps went on."""
    for done in range(limit):
        if not gap_advance(now=now):
            return done
    return limit


@command
def gap_advance(*, now: datetime) -> bool:
    """Let one expired offer go and hold the slot for the next; False when there is none."""
    gap = locks.lock_stalled_gap(now=now)
    if gap is None:
        return False
    [offer] = gap.offers.filter(status=OfferStatus.OFFERED).select_related("appointment")
    if offer.appointment is not None and offer.appointment.status in OPEN:
        # Somebody confirmed the hold as an appointment.
        _accepted(gap, offer)
        return True
    _take_back(offer, OfferStatus.EXPIRED, reason="")
    _next_turn(gap, scope=gap.clinic, now=now)
    return True


@step
def _next_turn(gap: Gap, *, scope: HasChain, now: datetime) -> None:
    opened = open_time_of(gap)
    queued = gap.offers.filter(status=OfferStatus.QUEUED).values_list("entry_id", flat=True)
    candidates = (
        gap_candidates(opened, actor=scope, now=now, limit=MAX_TURNS, entry_ids=list(queued))
        if opened.span.end > now
        else []
    )
    _offer_next(gap, candidates=candidates, scope=scope, now=now)


@step
def _offer_next(
    gap: Gap, *, candidates: Iterable[Candidate], scope: HasChain, now: datetime
) -> None:
    """Hold the slot for the first in turn whom it still fits; without one the gap is exhausted."""
    fits: Mapping[int, Candidate] = {one.entry.pk: one for one in candidates}
    for offer in gap.offers.filter(status=OfferStatus.QUEUED).order_by("position"):
        candidate = fits.get(offer.entry_id)
        why = "fits no more" if candidate is None else ""
        if candidate is not None:
            try:
                offer.appointment = _hold(gap, candidate, scope=scope, now=now)
            except DomainError as refusal:
                why = refusal.code
        if why:
            offer.status, offer.status_reason = OfferStatus.PASSED_OVER, why
            offer.save()
            continue
        offer.status = OfferStatus.OFFERED
        offer.replaces = candidate.replaces if candidate else None
        offer.offered_at = now
        offer.expires_at = offer.appointment.hold_expires_at if offer.appointment else None
        offer.save()
        return
    _end_gap(gap, GapStatus.EXHAUSTED)


@step
def _hold(gap: Gap, candidate: Candidate, *, scope: HasChain, now: datetime) -> Appointment:
    """Hold the candidate's slot. All that may refuse refuses before anything is written."""
    visit = candidate.visit
    course = running_course(candidate.entry.course_id, actor=scope)
    entry = locks.lock_waiting_list_entry(pk=candidate.entry.pk)
    if entry is None or entry.status != WaitingStatus.WAITLIST:
        raise StatusStepRefused(wanted=OfferStatus.OFFERED)
    if entry.offers.filter(status=OfferStatus.OFFERED).exists():
        raise EntryHasOffer(entry=entry.pk)
    appointment = Appointment(
        course=course,
        status=AppointmentStatus.PROPOSED,
        hold_expires_at=min(now + timedelta(minutes=gap.hold_minutes), visit.starts_at),
        booked_by_id=gap.started_by_id,
    )
    put_visit(appointment, visit, course=course)
    ignoring = [candidate.replaces.pk] if candidate.replaces else []
    require_apart(appointment, now=now, ignoring=ignoring)
    resources = visit_resources(visit.place, patient_id=course.patient_id, actor=scope)
    lock_resources(resources.ids())
    require_fit(course, visit, actor=scope, now=now, override=False)
    write_visit(appointment, visit, resources=resources, now=now)
    return appointment


@step
def _book(offer: GapOffer, *, actor: Actor, now: datetime) -> None:
    pks = [pk for pk in (offer.appointment_id, offer.replaces_id) if pk is not None]
    locked = {one.pk: one for one in locks.lock_appointments(pks)}
    hold, replaced = (locked.get(pk or 0) for pk in (offer.appointment_id, offer.replaces_id))
    if hold is None:
        raise ValueError("what is offered is held; the database says so")
    if hold.status in OPEN:
        return
    if hold.status != AppointmentStatus.PROPOSED:
        raise StatusStepRefused(status=hold.status, wanted=AppointmentStatus.BOOKED)
    if replaced is None or replaced.status != AppointmentStatus.BOOKED:
        confirm_visit(hold, actor=actor, now=now)
        return
    visit = Visit.of(hold)
    lock_resources(resources_held_by(source_of(hold), source_of(replaced)))
    end_visit(
        hold,
        status=AppointmentStatus.CANCELLED,
        reason=f"taken by appointment {replaced.pk}",
    )
    move_visit(replaced, visit, actor=actor, now=now)


@step
def _accepted(gap: Gap, offer: GapOffer) -> None:
    """The gap is filled, and who filled it waits no longer."""
    entry = locks.lock_waiting_list_entry(pk=offer.entry_id)
    if entry is not None and entry.status == WaitingStatus.WAITLIST:
        entry.status = WaitingStatus.BOOKED
        entry.save()
    offer.status = OfferStatus.ACCEPTED
    offer.save()
    _end_gap(gap, GapStatus.FILLED)


@step
def _take_back(offer: GapOffer, status: OfferStatus, *, reason: str) -> None:
    hold = locks.lock_appointment(pk=offer.appointment_id) if offer.appointment_id else None
    if hold is not None and hold.status == AppointmentStatus.PROPOSED:
        end_visit(hold, status=AppointmentStatus.CANCELLED, reason=f"offer {status}")
    offer.status, offer.status_reason = status, reason
    offer.save()


@step
def _end_gap(gap: Gap, status: GapStatus) -> None:
    for offer in gap.offers.filter(status=OfferStatus.QUEUED):
        offer.status = OfferStatus.WITHDRAWN
        offer.save()
    gap.status = status
    gap.save()


@step
def _locked_gap(gap_id: int, *, actor: Actor) -> Gap:
    gap = locks.lock_gap(pk=gap_id)
    if gap is None or gap.clinic.chain_id != actor.chain_id:
        raise GapUnknown(gap=gap_id)
    actor.require_at(gap.clinic_id, "gap.write")
    return gap


@step
def _locked_offer(offer_id: int, *, actor: Actor, version: int | None) -> tuple[Gap, GapOffer]:
    """The offer, read anew under the lock of its gap."""
    offers = GapOffer.objects.visible_to(actor).filter(pk=offer_id)
    for gap_id in offers.values_list("gap_id", flat=True):
        gap = _locked_gap(gap_id, actor=actor)
        offer: GapOffer = offers.select_related("entry__course", "appointment").get()
        offer.check_version(version)
        return gap, offer
    raise GapOfferUnknown(offer=offer_id)
