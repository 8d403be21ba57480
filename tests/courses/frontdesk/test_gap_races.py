"""Answers, expiry and a second desk at the same moment: one booking, one hold, no double."""

from collections import Counter
from datetime import timedelta

import pytest

from clinics.models import Reservation
from core.spans import Span
from courses.models import Appointment, Gap, GapOffer, WaitingListEntry
from courses.selectors.gaps import OpenTime
from courses.services.booking import appointment_book, appointment_confirm
from courses.services.gaps import (
    gap_advance,
    gap_offer_accept,
    gap_offer_decline,
    gap_offer_start,
    gaps_advance,
)
from courses.services.waiting_list import waiting_list_remove
from courses.vocabulary import AppointmentStatus, OfferStatus, WaitingStatus
from tests.support.booking import NOW, TOMORROW_TEN, make_running_course
from tests.support.frontdesk import wait, wait_overdue
from tests.support.race import overlaps
from tests.support.threads import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

LATE = NOW + timedelta(minutes=30)


def start(stage, *, day=0, minutes=60):
    begins = TOMORROW_TEN + timedelta(days=day)
    return gap_offer_start(
        opened=OpenTime(stage.clinic.pk, Span(begins, begins + timedelta(minutes=minutes))),
        hold_minutes=30,
        actor=stage.desk,
        now=NOW,
    )


def offered(gap):
    return gap.offers.get(status=OfferStatus.OFFERED)


def test_of_two_desks_that_offer_the_same_time_one_holds_it(stage):
    for day in range(3):
        for days in (30, 20):
            wait_overdue(stage, days - day)
        outcomes = at_once(
            *[lambda day=day: start(stage, day=day, minutes=30)] * 2,
        )
        gaps = [one for one in outcomes if isinstance(one, Gap)]
        assert len(gaps) == 1
        assert [one for one in outcomes if isinstance(one, str)] == ["gap_fits_nobody"]
        GapOffer.objects.filter(status=OfferStatus.QUEUED).update(status=OfferStatus.WITHDRAWN)
    assert overlaps() == 0


def test_two_gaps_at_once_do_not_ask_the_same_patient_twice(stage):
    for _ in range(3):
        entry = wait_overdue(stage, 30)
        outcomes = at_once(
            lambda: start(stage, minutes=30),
            lambda: start(stage, day=1, minutes=30),
        )
        assert entry.offers.filter(status=OfferStatus.OFFERED).count() == 1
        assert outcomes.count("gap_fits_nobody") == 1
        offer = entry.offers.get(status=OfferStatus.OFFERED)
        gap_offer_accept(offer_id=offer.pk, actor=stage.desk, now=NOW)
        Reservation.objects.all().delete()
        Appointment.objects.update(status=AppointmentStatus.CANCELLED)


def test_a_yes_and_the_clock_at_once(stage):
    seen = Counter()
    for _ in range(4):
        for days in (30, 20):
            wait_overdue(stage, days)
        gap = start(stage)
        offer = offered(gap)
        outcomes = at_once(
            lambda offer=offer: gap_offer_accept(
                offer_id=offer.pk, actor=stage.desk, now=LATE - timedelta(seconds=1)
            ),
            lambda: gaps_advance(now=LATE),
            lambda: gap_advance(now=LATE),
        )
        offer.refresh_from_db()
        gap.refresh_from_db()
        if offer.status == OfferStatus.ACCEPTED:
            assert gap.status == "filled"
            assert list(gap.offers.values_list("status", flat=True)) == ["accepted", "withdrawn"]
        else:
            assert outcomes[0] == "status_step_refused"
            assert list(gap.offers.values_list("status", flat=True)) == ["expired", "offered"]
        seen[offer.status] += 1
        assert overlaps() == 0
        assert Reservation.objects.count() == 5
        _clear()
    assert sum(seen.values()) == 4


def test_a_yes_and_a_no_at_once(stage):
    for _ in range(4):
        for days in (30, 20):
            wait_overdue(stage, days)
        gap = start(stage)
        offer = offered(gap)
        outcomes = at_once(
            lambda offer=offer: gap_offer_accept(offer_id=offer.pk, actor=stage.desk, now=NOW),
            lambda offer=offer: gap_offer_decline(
                offer_id=offer.pk, reason="", actor=stage.desk, now=NOW
            ),
        )
        assert outcomes.count("status_step_refused") == 1
        offer.refresh_from_db()
        assert offer.status in {OfferStatus.ACCEPTED, OfferStatus.DECLINED}
        assert Reservation.objects.count() == 5
        assert overlaps() == 0
        _clear()


def test_a_yes_and_a_confirmed_hold_at_once_book_once(stage):
    wait_overdue(stage, 30)
    gap = start(stage)
    offer = offered(gap)
    at_once(
        lambda: gap_offer_accept(offer_id=offer.pk, actor=stage.desk, now=NOW),
        lambda: appointment_confirm(appointment_id=offer.appointment_id, actor=stage.desk, now=NOW),
    )
    gap.refresh_from_db()
    assert gap.status == "filled"
    assert Appointment.objects.get().status == AppointmentStatus.BOOKED
    assert Reservation.objects.count() == 5


def test_a_turn_and_a_removal_from_the_list_at_once(stage):
    for _ in range(4):
        entry = wait(stage)
        outcomes = at_once(
            lambda: start(stage),
            lambda entry=entry: waiting_list_remove(entry_id=entry.pk, actor=stage.desk),
        )
        entry.refresh_from_db()
        if entry.status == WaitingStatus.WAITLIST:
            assert isinstance(outcomes[0], Gap)
            assert outcomes[1] == "waiting_list_entry_has_offer"
        else:
            assert outcomes[0] == "gap_fits_nobody"
            assert not Reservation.objects.exists()
        _clear()


def test_bookings_and_offers_at_once_leave_no_overlap(stage):
    courses = [make_running_course(stage.clinic) for _ in range(3)]
    for days in (30, 20, 10):
        wait_overdue(stage, days)
    outcomes = at_once(
        lambda: start(stage, minutes=30),
        lambda: start(stage, minutes=30),
        *(
            lambda course=course: appointment_book(
                course_id=course.pk, visit=stage.visit(), actor=stage.desk, now=NOW
            )
            for course in courses
        ),
    )
    won = [one for one in outcomes if not isinstance(one, str)]
    assert len(won) == 1
    assert {one for one in outcomes if isinstance(one, str)} <= {"slot_taken", "gap_fits_nobody"}
    assert Reservation.objects.count() == 5


def _clear():
    """An empty diary and list for the next round."""
    Reservation.objects.all().delete()
    for offer in GapOffer.objects.filter(status__in=[OfferStatus.OFFERED, OfferStatus.QUEUED]):
        offer.status = OfferStatus.WITHDRAWN
        offer.save()
    Gap.objects.filter(status="offering").update(status="withdrawn")
    Appointment.objects.exclude(status=AppointmentStatus.CANCELLED).update(
        status=AppointmentStatus.CANCELLED
    )
    WaitingListEntry.objects.filter(status=WaitingStatus.WAITLIST).update(
        status=WaitingStatus.CANCELLED
    )
