"""Anything the front desk may do, in any order, against a diary of plain intervals.

After every step the database holds exactly what the plain diary says is busy, every appointment
has exactly its reservations, and nothing overlaps.
"""

from collections import Counter
from datetime import timedelta

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    rule,
    run_state_machine_as_test,
)

from clinics.models import Closure, Reservation
from clinics.services.opening import hours_create, hours_remove
from core.db import as_range, from_range
from core.errors import DomainError
from core.spans import Span
from courses.models import Appointment
from courses.selectors.slots import SearchOrder, slots_for
from courses.selectors.visits import Place, Visit, visit_of_slot
from courses.services.booking import (
    Hold,
    appointment_book,
    appointment_cancel,
    appointment_confirm,
    appointment_move,
    holds_expire,
)
from courses.slots import Timeline, multi_pass
from courses.vocabulary import AppointmentStatus, TreatmentRole
from devices.selectors import visits_hit
from devices.services.fittings import fitting_start
from devices.services.lock_outs import lock_out_place, lock_out_withdraw
from devices.vocabulary import LockOutReason
from tests.support.booking import (
    TOMORROW_TEN,
)
from tests.support.plain_diary import FOR_EVER, Kept
from tests.support.race import overlaps
from tests.support.two_of_everything import COURSES as MANY
from tests.support.two_of_everything import World

pytestmark = [pytest.mark.django_db, pytest.mark.slow, pytest.mark.timeout(300)]

OPENS = TOMORROW_TEN.replace(hour=9)
STARTS = st.integers(0, 10).map(lambda half: OPENS + timedelta(minutes=30 * half))
TIMELINES = st.sampled_from(
    [
        Timeline.whole_visit(30),
        Timeline.whole_visit(60),
        multi_pass([10, 10], wait_minutes=20, prepare_minutes=5, finish_minutes=5),
        multi_pass([10, 10, 10], wait_minutes=20, prepare_minutes=10, finish_minutes=10),
    ]
)
SPANS = st.tuples(STARTS, st.integers(1, 6)).map(
    lambda drawn: Span(drawn[0], drawn[0] + timedelta(minutes=15 * drawn[1]))
)
MINUTES = st.sampled_from([None, 10, 20])
PAIR = st.integers(0, 1)
# Room, operator, laser, and now and then the handpiece that began on the other laser.
WHO = st.tuples(PAIR, PAIR, PAIR, st.sampled_from([False, False, False, True]))
COURSES = st.integers(0, MANY - 1)
ACTIONS = [
    *["take_what_the_search_offers"] * 4,
    *["book_or_hold"] * 4,
    *["confirm"] * 3,
    *["move"] * 3,
    "cancel",
    *["time_passes"] * 2,
    "a_hold_runs_out",
    "sweep",
    "lock_out_what_is_held",
    "lock_out",
    *["withdraw_lock_out"] * 2,
    "close_for_some_hours",
    "open_again",
    "change_fitting",
]
SEEN: Counter[str] = Counter()


class FrontDesk(RuleBasedStateMachine):
    """The service and the plain diary, side by side."""

    world: World

    def __init__(self):
        super().__init__()
        self.savepoint = transaction.savepoint()
        self.plain = self.world.plain()

    def teardown(self):
        transaction.savepoint_rollback(self.savepoint)

    # One rule for all: rules of their own would be switched off in most of the runs.
    @rule(action=st.sampled_from(ACTIONS), data=st.data())
    def something_happens(self, action, data):
        getattr(self, action)(data.draw)

    def book_or_hold(self, draw):
        visit = self.visit(draw(STARTS), draw(TIMELINES), draw(WHO))
        self._book(draw(COURSES), visit, minutes=draw(MINUTES))

    def take_what_the_search_offers(self, draw):
        world, course, timeline = self.world, draw(COURSES), draw(TIMELINES)
        pk = world.courses[course].pk
        order = SearchOrder(
            span=Span(OPENS, OPENS + timedelta(hours=8)),
            clinics={world.clinic.pk: 1.0},
            timeline=timeline,
            wavelengths_nm=(1064,),
        )
        slots = slots_for(pk, order=order, actor=world.desk, now=self.plain.now).answer.slots
        visits = [visit_of_slot(slot, timeline) for slot in slots]
        for visit in visits:
            assert not self.plain.refusals(pk, visit), "offered, but taken or unfit"
        SEEN["offers"] += len(visits)
        if visits:
            self._book(course, draw(st.sampled_from(visits)), minutes=draw(MINUTES))

    def confirm(self, draw):
        held = [pk for pk, one in self.plain.standing().items() if one.expires_at is not None]
        pk, kept = self.pick_appointment(held, draw)
        if kept is None:
            return
        if not kept.open or kept.expires_at is None:
            expected = {"status_step_refused"}
        elif not kept.stands(self.plain.now):
            expected = {"hold_expired"}
        else:
            expected = self.plain.refusals(kept.course, kept.visit, but=pk)
        if self.call(expected, appointment_confirm, appointment_id=pk, actor=self.world.desk):
            kept.expires_at = None

    def move(self, draw):
        pk, kept = self.pick_appointment(self.plain.standing(), draw)
        if kept is None:
            return
        visit = self.visit(draw(STARTS), draw(TIMELINES), draw(WHO))
        if not kept.open:
            expected = {"status_step_refused"}
        elif not kept.stands(self.plain.now):
            expected = {"hold_expired"}
        else:
            expected = self.plain.refusals(kept.course, visit, but=pk)
        if self.call(
            expected, appointment_move, appointment_id=pk, visit=visit, actor=self.world.desk
        ):
            kept.visit = visit

    def cancel(self, draw):
        pk, kept = self.pick_appointment(self.plain.standing(), draw)
        if kept is None:
            return
        expected = set() if kept.open else {"status_step_refused"}
        self.call(expected, appointment_cancel, appointment_id=pk, reason="", actor=self.world.desk)
        kept.open = False

    def time_passes(self, draw):
        self.plain.now += timedelta(minutes=draw(st.sampled_from([1, 3, 10])))

    def a_hold_runs_out(self, draw):
        if held := self.plain.held():
            self.plain.now = min(one.expires_at for one in held)

    def sweep(self, draw):
        expired = [
            one for one in self.plain.kept.values() if one.open and not one.stands(self.plain.now)
        ]
        assert holds_expire(now=self.plain.now) == len(expired)
        for one in expired:
            one.open = False

    def lock_out_what_is_held(self, draw):
        if held := self.plain.held():
            visit = held[0].visit
            self._lock_out(visit.place.laser_id, Span(visit.starts_at, visit.ends_at))

    def lock_out(self, draw):
        laser, span = draw(PAIR), draw(SPANS)
        for_good = draw(st.sampled_from([False, False, False, True]))
        self._lock_out(self.world.lasers[laser].pk, span, for_good=for_good)

    def withdraw_lock_out(self, draw):
        if not self.plain.lock_outs:
            return
        pk = draw(st.sampled_from(sorted(self.plain.lock_outs)))
        self.call(set(), lock_out_withdraw, pk=pk, expected_version=None, actor=self.world.officer)
        del self.plain.lock_outs[pk]

    def close_for_some_hours(self, draw):
        span, despite = draw(SPANS), draw(st.booleans())
        expected = set() if despite or not self.plain.stranded(span) else {"visits_in_the_way"}
        closure = self.call(
            expected,
            hours_create,
            kind=Closure,
            fields={"clinic": self.world.clinic, "period": as_range(span), "reason": "invented"},
            despite_visits=despite,
            actor=self.world.manager,
        )
        if closure is not None:
            self.plain.closures[closure.pk] = span

    def open_again(self, draw):
        if not self.plain.closures:
            return
        pk = draw(st.sampled_from(sorted(self.plain.closures)))
        self.call(
            set(),
            hours_remove,
            row=Closure.objects.get(pk=pk),
            expected_version=None,
            despite_visits=False,
            actor=self.world.manager,
        )
        del self.plain.closures[pk]

    def change_fitting(self, draw):
        self.plain.now += timedelta(minutes=1)
        tip_id = self.world.tips[draw(PAIR)].pk
        laser_id = self.world.lasers[draw(PAIR)].pk
        possible = self.plain.fit_to(tip_id, laser_id)
        self.call(
            set() if possible else {"handpiece_fitted"},
            fitting_start,
            laser_id=laser_id,
            handpiece_id=tip_id,
            at=self.plain.now,
            actor=self.world.officer,
        )

    def visit(self, start, timeline, who):
        room, operator, laser, other_tip = who
        world = self.world
        tip = 1 - laser if other_tip else laser
        place = Place(
            clinic_id=world.clinic.pk,
            room_id=world.rooms[room].pk,
            operator_id=world.operators[operator].pk,
            laser_id=world.lasers[laser].pk,
            handpiece_ids=(world.tips[tip].pk,),
        )
        return Visit(starts_at=start, timeline=timeline, place=place, wavelengths_nm=(1064,))

    def pick_appointment(self, pks, draw):
        """One of these; now and then, or without any, one of all there ever were."""
        known = self.plain.kept
        if not known:
            return None, None
        group = sorted(pks if pks and draw(st.integers(0, 9)) else known)
        pk = draw(st.sampled_from(group))
        return pk, known[pk]

    def call(self, expected, service, **values):
        """What the service gives; None when it refuses, which it must do with an expected code."""
        given = code = None
        try:
            given = service(now=self.plain.now, **values)
        except DomainError as refusal:
            code = refusal.code
        said = f"{service.__name__}: {code or 'went through'}, expected {expected or 'to go'}"
        assert (code in expected) if expected else code is None, said
        SEEN[code or service.__name__] += 1
        return given

    def _book(self, course, visit, *, minutes):
        pk = self.world.courses[course].pk
        if minutes and len(self.plain.held()) >= self.plain.holds_per_caller:
            expected = {"hold_quota_reached"}
        elif self.plain.open_of(pk):
            expected = {"course_already_booked"}
        else:
            expected = self.plain.refusals(pk, visit)
        made = self.call(
            expected,
            appointment_book,
            course_id=pk,
            visit=visit,
            actor=self.world.desk,
            hold=Hold(minutes=minutes) if minutes else None,
        )
        if made is not None:
            self.plain.kept[made.pk] = Kept(pk, visit, made.hold_expires_at)

    def _lock_out(self, pk, span, *, for_good=False):
        period = Span(span.start, span.start + FOR_EVER) if for_good else span
        clash = any(
            other == pk and period.overlaps(taken) for other, taken in self.plain.lock_outs.values()
        )
        placed = self.call(
            {"lock_out_overlaps"} if clash else set(),
            lock_out_place,
            laser_id=pk,
            reason=LockOutReason.FAULT,
            note="",
            start=span.start,
            end=None if for_good else span.end,
            actor=self.world.officer,
        )
        if placed is not None:
            self.plain.lock_outs[placed.pk] = (pk, period)

    @invariant()
    def busy_is_what_the_plain_diary_says(self):
        rows = Reservation.objects.counting_at(self.plain.now)
        stored = {
            (row.resource_id, from_range(row.period), row.source, row.expires_at) for row in rows
        }
        assert len(stored) == len(rows)
        assert stored == {
            (resource, span, f"appointment:{pk}", self.plain.kept[pk].expires_at)
            for resource, span, pk in self.plain.busy()
        }

    @invariant()
    def nothing_overlaps(self):
        assert overlaps() == 0

    @invariant()
    def statuses_agree(self):
        for appointment in Appointment.objects.all():
            kept = self.plain.kept[appointment.pk]
            held = kept.expires_at is not None
            assert (appointment.status == AppointmentStatus.CANCELLED) is not kept.open
            if kept.open:
                assert appointment.status == ("proposed" if held else "booked")
                assert appointment.starts_at == kept.visit.starts_at

    @invariant()
    def a_lock_out_names_whom_it_hits(self):
        for laser, period in self.plain.lock_outs.values():
            resource = self.plain.resources[TreatmentRole.LASER, laser]
            hit = visits_hit(resource, start=period.start, end=period.end, now=self.plain.now)
            assert {row.source for row in hit} == {
                f"appointment:{pk}"
                for other, span, pk in self.plain.busy()
                if other == resource and span.overlaps(period)
            }


def test_the_front_desk_and_a_plain_diary_agree():
    SEEN.clear()
    machine = type("OneWorld", (FrontDesk,), {"world": World()})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=18,
            stateful_step_count=36,
            deadline=None,
            derandomize=True,
            # Shrinking against a database takes longer than reading the steps.
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )
    print(SEEN)  # noqa: T201
    reached = {
        "appointment_book", "appointment_confirm", "appointment_move", "appointment_cancel",
        "lock_out_place", "hours_create", "fitting_start", "slot_taken", "slot_unfit",
        "course_already_booked", "hold_expired", "hold_quota_reached", "offers",
    }  # fmt: skip
    assert reached <= set(SEEN)
