"""Gaps: who fits, in which order, and how an offer goes from one to the next."""

from datetime import time, timedelta

import pytest

from clinics.models import Reservation
from clinics.vocabulary import Role
from core.spans import Span
from courses.models import Appointment, Gap, GapOffer
from courses.selectors.gaps import OpenTime, gap_candidates, opened_by
from courses.selectors.slots import SearchOrder
from courses.services.booking import (
    Hold,
    SeriesOrder,
    appointment_book,
    appointment_cancel,
    appointment_confirm,
    series_book,
)
from courses.services.gaps import gap_offer_start, gaps_advance
from courses.slots import TimeWish
from courses.vocabulary import AppointmentStatus, GapStatus, InkColour, OfferStatus, WaitingStatus
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.booking import (
    NOW,
    TOMORROW_TEN,
    fit_handpiece,
    make_laser,
    make_running_course,
    make_stage,
)
from tests.support.factories import make_clinic, make_opening_week, span
from tests.support.frontdesk import treat, wait, wait_overdue

pytestmark = pytest.mark.django_db

HOUR = Span(TOMORROW_TEN, TOMORROW_TEN + timedelta(hours=1))


@pytest.fixture
def freed(stage):
    """An appointment tomorrow from ten to eleven that was cancelled."""
    appointment = appointment_book(
        course_id=stage.course.pk,
        visit=stage.visit(minutes=60),
        actor=stage.desk,
        now=NOW,
    )
    return appointment_cancel(
        appointment_id=appointment.pk, reason="ill", actor=stage.desk, now=NOW
    )


def opened(stage, when=HOUR, **changes):
    return OpenTime(**{"clinic_id": stage.clinic.pk, "span": when, **changes})


def fitting(stage, when=HOUR, *, limit=10, now=NOW, **changes):
    found = gap_candidates(opened(stage, when, **changes), actor=stage.desk, now=now, limit=limit)
    return [one.entry.pk for one in found]


def start(stage, *, minutes=30, now=NOW, when=HOUR):
    return gap_offer_start(
        opened=opened(stage, when), hold_minutes=minutes, actor=stage.desk, now=now
    )


def turns(gap):
    return list(gap.offers.order_by("position").values_list("status", flat=True))


class TestWhoFits:
    def test_the_most_overdue_is_first(self, stage):
        little, much, middling = (wait_overdue(stage, days) for days in (2, 40, 10))
        found = gap_candidates(opened(stage), actor=stage.desk, now=NOW, limit=10)
        assert [(one.entry.pk, one.overdue_days) for one in found] == [
            (much.pk, 40),
            (middling.pk, 10),
            (little.pk, 2),
        ]
        assert fitting(stage, limit=1) == [much.pk]

    def test_skin_that_was_never_treated_is_overdue_since_the_entry(self, stage):
        newer = wait(stage, since=NOW - timedelta(days=3))
        older = wait(stage, since=NOW - timedelta(days=9))
        assert fitting(stage) == [older.pk, newer.pk]

    def test_skin_that_is_not_ready_does_not_fit(self, stage):
        ready, healing, held = (make_running_course(stage.clinic) for _ in range(3))
        treat(stage, TOMORROW_TEN - timedelta(days=42), course=ready)
        treat(stage, TOMORROW_TEN - timedelta(days=41), course=healing)
        treat(stage, TOMORROW_TEN - timedelta(days=90), course=held, responses=["torn_epidermis"])
        entries = [wait(stage, course) for course in (ready, healing, held)]
        assert fitting(stage) == [entries[0].pk]

    def test_the_visit_must_fit_in_by_its_length(self, stage):
        short = wait(stage)
        wait(stage, technique={"passes": 4})
        assert fitting(stage) == [short.pk]
        assert len(fitting(stage, Span(TOMORROW_TEN, TOMORROW_TEN + timedelta(hours=4)))) == 2

    def test_the_ink_must_be_served_as_well_as_this_clinic_can(self, stage):
        red = wait(stage, make_running_course(stage.clinic, colour=InkColour.RED))
        green = wait(stage, make_running_course(stage.clinic, colour=InkColour.GREEN))
        assert fitting(stage) == [red.pk]
        for_green = make_laser(stage.clinic, wavelengths_nm=(755,))
        fit_handpiece(for_green)
        stage.room.cleared_wavelengths_nm = [532, 755, 1064]
        stage.room.save()
        assert fitting(stage, laser_id=for_green.pk) == [green.pk]
        assert fitting(stage, laser_id=stage.laser.pk) == [red.pk]

    def test_wishes_notice_and_clinic_count(self, stage):
        elsewhere = make_stage()
        wait(elsewhere)
        wait(stage, wishes=[TimeWish(frozenset({5}))])
        wait(stage, wishes=[TimeWish(since=time(13))])
        wait(stage, notice_hours=27)
        can = wait(stage, wishes=[TimeWish(frozenset({2}), time(9), time(12))], notice_hours=25)
        assert fitting(stage) == [can.pk]

    def test_a_patient_who_is_busy_or_deciding_is_not_asked(self, stage):
        busy, deciding = (make_running_course(stage.clinic) for _ in range(2))
        wait(stage, busy)
        wait(stage, deciding)
        Reservation.objects.create(
            resource=busy.patient.resource,
            period=(TOMORROW_TEN, TOMORROW_TEN + timedelta(minutes=50)),
            reason="appointment",
            source="appointment:0",
        )
        appointment_book(
            course_id=deciding.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(days=2)),
            actor=stage.desk,
            now=NOW,
            hold=Hold(minutes=5),
        )
        assert fitting(stage) == []
        assert len(fitting(stage, now=NOW + timedelta(minutes=5))) == 1

    def test_a_later_booking_would_be_replaced_and_an_earlier_one_keeps_its_distance(self, stage):
        later, earlier = (make_running_course(stage.clinic) for _ in range(2))
        booked = appointment_book(
            course_id=later.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(days=20)),
            actor=stage.desk,
            now=NOW,
        )
        appointment_book(
            course_id=earlier.pk,
            visit=stage.visit(TOMORROW_TEN - timedelta(hours=1)),
            actor=stage.desk,
            now=NOW,
        )
        entry = wait(stage, later)
        wait(stage, earlier)
        [found] = gap_candidates(opened(stage), actor=stage.desk, now=NOW, limit=5)
        assert (found.entry.pk, found.replaces) == (entry.pk, booked)

    def test_the_time_of_a_cancelled_appointment_is_on_its_laser(self, stage, freed):
        time_freed = opened_by(freed)
        assert time_freed == opened(stage, laser_id=stage.laser.pk)

    def test_it_costs_the_same_for_two_and_for_ten(self, stage, django_assert_num_queries):
        for count in (2, 8):
            for _ in range(count):
                wait_overdue(stage, 5)
            with django_assert_num_queries(7):
                assert fitting(stage, limit=50)


class TestTurns:
    def test_the_first_is_held_the_slot_and_the_rest_wait_their_turn(self, stage):
        entries = [wait_overdue(stage, days) for days in (30, 20, 10)]
        gap = start(stage)
        assert turns(gap) == ["offered", "queued", "queued"]
        offer = gap.offers.get(position=1)
        assert offer.entry == entries[0]
        assert offer.expires_at == NOW + timedelta(minutes=30)
        assert offer.appointment.status == AppointmentStatus.PROPOSED
        assert Reservation.objects.filter(status="busy-tentative").count() == 5

    def test_silence_passes_it_on_until_nobody_is_left(self, stage):
        for days in (30, 20):
            wait_overdue(stage, days)
        gap = start(stage)
        assert gaps_advance(now=NOW + timedelta(minutes=29)) == 0
        assert gaps_advance(now=NOW + timedelta(minutes=30)) == 1
        assert turns(gap) == ["expired", "offered"]
        assert gaps_advance(now=NOW + timedelta(minutes=60)) == 1
        gap.refresh_from_db()
        assert turns(gap) == ["expired", "expired"]
        assert gap.status == GapStatus.EXHAUSTED
        assert not Reservation.objects.exists()

    def test_a_no_passes_it_on_at_once(self, stage, desk):
        for days in (30, 20):
            wait_overdue(stage, days)
        gap = start(stage)
        answer = respond(desk, gap, 1, "decline", {"reason": "cannot come"})
        assert answer.json()["status"] == "declined"
        assert turns(gap) == ["declined", "offered"]
        assert Appointment.objects.filter(status=AppointmentStatus.PROPOSED).count() == 1
        entry = gap.offers.get(position=1).entry
        assert entry.status == WaitingStatus.WAITLIST

    def test_a_yes_books_it_and_the_others_are_not_asked(self, stage, desk):
        entries = [wait_overdue(stage, days) for days in (30, 20)]
        gap = start(stage)
        answer = respond(desk, gap, 1, "accept")
        assert answer.status_code == 200, answer.json()
        booked = Appointment.objects.get(pk=answer.json()["appointment"])
        assert booked.status == AppointmentStatus.BOOKED
        assert booked.course == entries[0].course
        assert HOUR.contains(Span(booked.starts_at, booked.ends_at))
        gap.refresh_from_db()
        entries[0].refresh_from_db()
        assert gap.status == GapStatus.FILLED
        assert turns(gap) == ["accepted", "withdrawn"]
        assert entries[0].status == WaitingStatus.BOOKED
        assert Reservation.objects.filter(status="busy").count() == 5

    def test_a_yes_moves_the_later_visit_with_its_place_in_the_series(self, stage, desk):
        search = SearchOrder(
            span=Span(NOW + timedelta(days=20), NOW + timedelta(days=30)),
        )
        series = series_book(
            course_id=stage.course.pk,
            order=SeriesOrder(sessions=2, search=search),
            actor=stage.desk,
            now=NOW,
        )
        first = series.appointments.get(position=1)
        wait(stage, stage.course)
        gap = start(stage)
        offer = gap.offers.get(position=1)
        assert offer.replaces == first
        answer = respond(desk, gap, 1, "accept")
        assert answer.status_code == 200, answer.json()
        assert answer.json()["appointment"] == first.pk
        first.refresh_from_db()
        assert first.starts_at == offer.appointment.starts_at
        assert (first.position, first.status) == (1, AppointmentStatus.BOOKED)
        assert Reservation.objects.count() == 10
        assert Appointment.objects.filter(status=AppointmentStatus.CANCELLED).count() == 1

    def test_a_yes_after_the_later_visit_was_cancelled_books_the_hold(self, stage, desk):
        booked = appointment_book(
            course_id=stage.course.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(days=20)),
            actor=stage.desk,
            now=NOW,
        )
        wait(stage, stage.course)
        gap = start(stage)
        appointment_cancel(appointment_id=booked.pk, reason="", actor=stage.desk, now=NOW)
        answer = respond(desk, gap, 1, "accept").json()
        hold = gap.offers.get(position=1).appointment
        assert answer["appointment"] == hold.pk
        assert hold.status == AppointmentStatus.BOOKED

    def test_a_yes_that_comes_too_late_is_refused(self, stage, desk, time_machine):
        wait_overdue(stage, 5)
        gap = start(stage, minutes=10)
        time_machine.move_to(NOW + timedelta(minutes=10), tick=False)
        assert_problem(respond(desk, gap, 1, "accept"), 409, "hold_expired")
        assert turns(gap) == ["offered"]

    def test_an_offer_is_answered_once(self, stage, desk):
        wait_overdue(stage, 5)
        gap = start(stage)
        respond(desk, gap, 1, "accept")
        for answer in ("accept", "decline"):
            assert_problem(respond(desk, gap, 1, answer), 422, "status_step_refused")
        assert Appointment.objects.count() == 1

    def test_who_no_longer_fits_is_passed_over(self, stage, desk):
        for days in (30, 20, 10):
            wait_overdue(stage, days)
        gap = start(stage)
        second = gap.offers.get(position=2).entry
        appointment_book(
            course_id=second.course_id,
            visit=stage.visit(TOMORROW_TEN + timedelta(hours=3)),
            actor=stage.desk,
            now=NOW,
        )
        respond(desk, gap, 1, "decline")
        assert turns(gap) == ["declined", "passed_over", "offered"]

    def test_a_hold_that_the_desk_confirmed_counts_as_a_yes(self, stage):
        wait_overdue(stage, 30)
        wait_overdue(stage, 20)
        gap = start(stage)
        offer = gap.offers.get(position=1)
        appointment_confirm(appointment_id=offer.appointment_id, actor=stage.desk, now=NOW)
        gaps_advance(now=NOW + timedelta(minutes=30))
        gap.refresh_from_db()
        assert gap.status == GapStatus.FILLED
        assert turns(gap) == ["accepted", "withdrawn"]

    def test_offers_do_not_use_up_the_caller_s_holds(self, stage):
        stage.chain.holds_per_caller = 1
        stage.chain.save()
        wait_overdue(stage, 30)
        start(stage)
        held = appointment_book(
            course_id=stage.course.pk,
            visit=stage.visit(TOMORROW_TEN + timedelta(hours=2)),
            actor=stage.desk,
            now=NOW,
            hold=Hold(minutes=5),
        )
        assert held.status == AppointmentStatus.PROPOSED

    def test_one_patient_has_one_offer_at_a_time(self, stage):
        wait_overdue(stage, 30)
        start(stage)
        assert (
            fitting(stage, Span(HOUR.start + timedelta(hours=2), HOUR.end + timedelta(hours=2)))
            == []
        )

    def test_a_withdrawn_gap_frees_what_was_held(self, stage, desk):
        for days in (30, 20):
            wait_overdue(stage, days)
        gap = start(stage)
        path = f"/gaps/{gap.pk}"
        answer = desk.client.post(f"/api/v1{path}/withdraw", headers={"If-Match": desk.etag(path)})
        assert answer.status_code == 200, answer.json()
        assert answer.json()["status"] == "withdrawn"
        assert turns(gap) == ["withdrawn", "withdrawn"]
        assert not Reservation.objects.exists()


def respond(caller, gap, position, answer, body=None):
    path = f"/gap-offers/{gap.offers.get(position=position).pk}"
    return caller.client.post(
        f"/api/v1{path}/{answer}",
        body or {},
        format="json",
        headers={"If-Match": caller.etag(path)},
    )


class TestApi:
    def ask(self, stage, **changes):
        return {
            "clinic": stage.clinic.pk,
            "start": HOUR.start.isoformat(),
            "end": HOUR.end.isoformat(),
            **changes,
        }

    def test_candidates_show_the_slot_and_why(self, stage, desk, freed):
        entry = wait_overdue(stage, 12)
        for body in (self.ask(stage), {"appointment": freed.pk}):
            answer = desk.post("/gaps/candidates", body)
            assert answer.status_code == 200, answer.json()
            told = answer.json()
            assert told["waiting"] == 1
            [found] = told["candidates"]
            assert (found["entry"], found["overdue_days"]) == (entry.pk, 12)
            assert found["slot"]["laser"] == stage.laser.pk
            assert found["segments"]
            assert told["caution"]

    def test_one_call_offers_it(self, stage, desk, freed):
        wait_overdue(stage, 12)
        answer = desk.post("/gaps/offers", {"appointment": freed.pk, "hold_minutes": 20}, key="a")
        assert answer.status_code == 201, answer.json()
        gap = answer.json()
        assert answer.headers["Location"].endswith(f"/gaps/{gap['id']}")
        assert (gap["laser"], gap["status"]) == (stage.laser.pk, "offering")
        [offer] = gap["offers"]
        assert offer["status"] == "offered"
        assert offer["expires_at"] == "2026-03-02T08:20:00Z"
        assert desk.get("/gap-offers", status="offered").json()["items"] == [offer]
        assert desk.get("/gaps", status="offering").json()["items"] == [gap]
        again = desk.post("/gaps/offers", {"appointment": freed.pk, "hold_minutes": 20}, key="a")
        assert again.content == answer.content
        assert Gap.objects.count() == 1

    def test_nobody_who_fits_is_a_conflict_and_writes_nothing(self, stage, desk):
        wait(stage, notice_hours=300)
        problem = assert_problem(
            desk.post("/gaps/offers", self.ask(stage), key="a"), 409, "gap_fits_nobody"
        )
        assert problem["waiting"] == 1
        assert not Gap.objects.exists()

    @pytest.mark.parametrize(
        "changes",
        [
            {"clinic": None},
            {"start": "2026-03-03T10:00:00"},
            {"end": "2026-03-03T10:00:00Z"},
            {"end": "2026-04-03T10:00:00Z"},
            {"laser": 10**9},
            {"appointment": 10**9},
        ],
    )
    def test_odd_gaps_are_refused(self, stage, desk, changes):
        for path in ("/gaps/candidates", "/gaps/offers"):
            body = self.ask(stage, **changes)
            assert assert_problem(desk.post(path, body, key="a"), 400, "invalid")["errors"]

    def test_time_that_is_over_or_taken_is_no_gap(self, stage, desk):
        past = self.ask(stage, start="2026-03-01T10:00:00Z", end="2026-03-01T11:00:00Z")
        assert_problem(desk.post("/gaps/offers", past, key="a"), 422, "gap_over")
        standing = appointment_book(
            course_id=stage.course.pk, visit=stage.visit(), actor=stage.desk, now=NOW
        )
        problem = assert_problem(
            desk.post("/gaps/candidates", {"appointment": standing.pk}), 400, "invalid"
        )
        assert problem["errors"][0]["code"] == "stands"
        wait_overdue(stage, 5)
        half_taken = self.ask(stage, end="2026-03-03T10:40:00Z")
        assert desk.post("/gaps/candidates", half_taken).json()["candidates"] == []

    def test_an_entry_on_offer_is_not_taken_off_the_list(self, stage, desk):
        entry = wait_overdue(stage, 12)
        start(stage)
        assert_problem(
            desk.delete(f"/waiting-list/{entry.pk}", version=1),
            409,
            "waiting_list_entry_has_offer",
        )

    def test_who_may(self, stage, desk):
        wait_overdue(stage, 12)
        operator = sign_in(Role.LASER_OPERATOR, clinic=stage.clinic)
        assert_problem(operator.post("/gaps/candidates", self.ask(stage)), 403)
        manager = sign_in(Role.CHAIN_MANAGER, chain=stage.chain)
        assert manager.post("/gaps/candidates", self.ask(stage)).status_code == 200
        assert_problem(manager.post("/gaps/offers", self.ask(stage), key="a"), 403)
        elsewhere = sign_in(Role.FRONT_DESK, clinic=make_stage_in(stage.chain).clinic)
        assert_problem(elsewhere.post("/gaps/offers", self.ask(stage), key="a"), 403)

    def test_another_chain_sees_nothing(self, stage, desk):
        wait_overdue(stage, 12)
        gap = start(stage)
        offer = gap.offers.get()
        stranger = sign_in(Role.FRONT_DESK)
        assert_problem(stranger.get(f"/gaps/{gap.pk}"), 404)
        assert_problem(stranger.get(f"/gap-offers/{offer.pk}"), 404)
        for path in (f"/gap-offers/{offer.pk}/accept", f"/gaps/{gap.pk}/withdraw"):
            answer = stranger.client.post(f"/api/v1{path}", headers={"If-Match": "*"})
            assert_problem(answer, 404)
        assert stranger.get("/gaps").json()["items"] == []
        assert_problem(stranger.post("/gaps/candidates", self.ask(stage)), 400, "invalid")

    def test_lists_cost_the_same_for_two_and_for_eight(self, stage, desk):
        costs = []
        for count in (2, 6):
            for _ in range(count):
                wait_overdue(stage, 10)
                hour = 2 * Gap.objects.count()
                start(stage, when=span(TOMORROW_TEN.replace(hour=9) + timedelta(days=hour)))
            costs.append(
                (queries_of(desk, "/gaps"), queries_of(desk, "/gap-offers", status="offered"))
            )
        assert costs[0] == costs[1]
        assert GapOffer.objects.filter(status=OfferStatus.OFFERED).count() == 8


def make_stage_in(chain):
    clinic = make_clinic(chain, country="")
    make_opening_week(clinic)
    return make_stage(clinic=clinic, days=2)
