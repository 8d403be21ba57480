from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from core.spans import Span
from courses.slots import (
    FittedTo,
    Grid,
    InkNeed,
    LockedOut,
    OperatorCredential,
    ScoreName,
    SearchPolicy,
    Segment,
    SlotRequest,
    Timeline,
    TimeWish,
    feasible_starts,
    multi_pass,
    search_slots,
)
from courses.vocabulary import TreatmentRole
from tests.support.slot_cases import ANY_LASER, LONG_AGO, MONDAY, request_for, simple_case


def at(day, hour=0, minute=0):
    return datetime(2026, 6, day, hour, minute, tzinfo=UTC)


def search(case, request, **policy):
    return search_slots(
        request, grid=case.grid, clinics=[case.clinic], policy=SearchPolicy(**policy)
    )


def starts_of(case, request, **policy):
    return feasible_starts(
        request, grid=case.grid, clinic=case.clinic, policy=SearchPolicy(**policy)
    )


def test_slot_names_everyone_and_everything_in_it():
    slot = search(simple_case(), request_for()).slots[0]
    assert (slot.clinic_id, slot.room_id, slot.operator_id, slot.laser_id) == (1, 1, 1, 1)
    assert slot.handpiece_ids == (1,)
    assert slot.wavelengths_nm == (1064,)
    assert slot.end - slot.start == timedelta(minutes=60)
    assert {part.name for part in slot.parts} == set(ScoreName)
    assert abs(sum(part.value * part.weight for part in slot.parts) - slot.score) < 1e-9
    assert {"emits", "room_cleared", "credential_valid"} <= {one.code for one in slot.reasons}


def test_visit_lies_wholly_in_opening_hours():
    found = starts_of(simple_case(days=1), request_for(60))
    assert (found[0], found[-1]) == (at(1, 9), at(1, 16))
    assert len(found) == 7 * 12 + 1


def test_nothing_ends_after_the_latest_instant():
    case = simple_case(days=1)
    found = starts_of(case, request_for(60, latest_at=at(1, 11)))
    assert (found[0], found[-1]) == (at(1, 9), at(1, 10))
    assert starts_of(case, request_for(60, latest_at=at(1, 10, 59))) == found[:-1]
    assert starts_of(case, request_for(60, latest_at=at(1, 0, 30))) == []


def test_starts_lie_on_the_step_of_the_local_clock():
    case = simple_case(days=1, zone=ZoneInfo("Asia/Kathmandu"))
    found = starts_of(case, request_for(60), start_step_minutes=30)
    assert {start.minute for start in found} == {15, 45}


def test_step_follows_clocks_that_change_by_half_an_hour():
    # Lord Howe Island goes from 02:00 to 02:30 on 4 October 2026 (15:30 UTC the day before).
    start = datetime(2026, 10, 3, 13, 30, tzinfo=UTC)
    case = simple_case(
        days=1, zone=ZoneInfo("Australia/Lord_Howe"), open_hours=(0, 6), grid=Grid(start, 288)
    )
    found = starts_of(case, request_for(60, earliest_at=start), start_step_minutes=60)
    assert {one.astimezone(case.clinic.zone).minute for one in found} == {0}
    assert len(found) == 5


def test_nothing_starts_before_the_window_closes_in_the_clinics_own_day():
    case = simple_case(days=3, zone=ZoneInfo("Australia/Sydney"), open_hours=(0, 24))
    request = request_for(60, window_closes_on=date(2026, 6, 2))
    assert starts_of(case, request)[0] == at(1, 14)


def test_nothing_starts_before_the_earliest_instant():
    found = starts_of(simple_case(days=1), request_for(60, earliest_at=at(1, 12, 1)))
    assert found[0] == at(1, 12, 5)


def test_patient_is_not_booked_twice():
    request = request_for(60, patient_busy=(Span(at(1, 10), at(1, 15, 30)),))
    assert starts_of(simple_case(days=1), request) == [
        at(1, 9),
        *(at(1, 15, 30 + step) for step in range(0, 30, 5)),
        at(1, 16),
    ]


def test_wishes_are_read_on_the_clinics_clock():
    case = simple_case(days=7, zone=ZoneInfo("Europe/Berlin"), open_hours=(6, 20))
    wishes = (
        TimeWish(frozenset({2}), time(17), time(18)),
        TimeWish(frozenset({6}), since=time(20)),
    )
    assert starts_of(case, request_for(60, wishes=wishes)) == [
        at(2, 15),
        *(at(6, 18, step) for step in range(0, 60, 5)),
        at(6, 19),
    ]


def test_room_must_be_controlled_and_cleared():
    rooms = ((1, True, {532}), (2, False, {1064}), (3, True, {1064, 532}))
    slots = search(simple_case(rooms=rooms), request_for()).slots
    assert {slot.room_id for slot in slots} == {3}


def test_fixed_laser_is_used_in_its_own_room():
    case = simple_case(rooms=((1, True, {1064}), (2, True, {1064})), lasers=((1, {1064}, 2),))
    assert {slot.room_id for slot in search(case, request_for()).slots} == {2}


def test_locked_out_laser_is_not_offered_until_it_is_released():
    case = simple_case(days=3, locked={1: [LockedOut(LONG_AGO, at(2, 12))]})
    assert starts_of(case, request_for())[0] == at(2, 12)
    case = simple_case(days=3, locked={1: [LockedOut(at(2), None)]})
    assert {start.day for start in starts_of(case, request_for())} == {1}


def test_nobody_is_prepared_for_a_laser_that_is_locked_out():
    """Neither preparation nor a wait lies in a lock-out; aftercare, which needs no laser, may."""
    timeline = multi_pass([10, 10], wait_minutes=20, prepare_minutes=20, finish_minutes=10)
    locked = {1: [LockedOut(LONG_AGO, at(1, 12)), LockedOut(at(1, 13, 10), at(1, 14))]}
    found = starts_of(simple_case(days=1, locked=locked), request_for(timeline=timeline))
    assert found[:3] == [at(1, 12), at(1, 12, 5), at(1, 12, 10)]
    assert found[3] == at(1, 14)


def test_handpiece_serves_only_while_it_is_fitted_to_that_laser():
    tips = ((1, {1064}, (FittedTo(2, LONG_AGO, at(1, 10)), FittedTo(1, at(1, 10), at(1, 12)))),)
    found = starts_of(simple_case(days=1, tips=tips), request_for(60))
    assert (found[0], found[-1]) == (at(1, 10), at(1, 11))


def test_two_handpieces_serve_when_none_passes_all_wavelengths():
    tips = ((7, {1064}, (FittedTo(1, LONG_AGO),)), (8, {532}, (FittedTo(1, LONG_AGO),)))
    case = simple_case(days=1, tips=tips, busy={("handpiece", 8): [Span(at(1, 9), at(1, 16))]})
    answer = search(case, request_for(60, needs=(("black", (1064,)), ("red", (532,)))))
    assert [(slot.start, slot.handpiece_ids) for slot in answer.slots] == [(at(1, 16), (7, 8))]


def test_operator_is_fit_on_the_day_by_credential_for_wavelength_and_model():
    operators = (
        (1, (OperatorCredential(date(2020, 1, 1), date(2026, 6, 3)),)),
        (2, (OperatorCredential(date(2026, 6, 5)),)),
        (3, (OperatorCredential(date(2020, 1, 1), wavelengths_nm=frozenset({532})),)),
        (4, (OperatorCredential(date(2020, 1, 1), laser_model_ids=frozenset({9})),)),
        (5, ()),
    )
    case = simple_case(days=7, operators=operators)
    slots = search(case, request_for(limit=20), slots_per_day=9).slots
    assert {(slot.start.day, slot.operator_id) for slot in slots} == {
        (1, 1),
        (2, 1),
        (5, 2),
        (6, 2),
        (7, 2),
    }


def test_credential_that_ends_on_the_last_day_does_not_cover_it():
    ends = OperatorCredential(date(2020, 1, 1), date(2026, 6, 2))
    case = simple_case(days=2, operators=((1, (ends,)),))
    assert {start.day for start in starts_of(case, request_for())} == {1}


def test_credentials_must_cover_every_wavelength_of_the_visit_on_the_same_day():
    held = (
        OperatorCredential(date(2026, 6, 1), date(2026, 6, 3), frozenset({1064})),
        OperatorCredential(date(2026, 6, 2), date(2026, 6, 5), frozenset({532})),
    )
    case = simple_case(days=7, operators=((1, held),))
    request = request_for(needs=(("black", (1064,)), ("red", (532,))))
    assert {start.day for start in starts_of(case, request)} == {2}


def test_only_the_operators_asked_for():
    case = simple_case(operators=((1, (ANY_LASER,)), (2, (ANY_LASER,))))
    slots = search(case, request_for(operator_ids=frozenset({2}))).slots
    assert {slot.operator_id for slot in slots} == {2}


def test_familiar_operator_ranks_first():
    case = simple_case(operators=((1, (ANY_LASER,)), (2, (ANY_LASER,))))
    slot = search(case, request_for(familiar_operator_ids=frozenset({2}))).slots[0]
    assert slot.operator_id == 2
    assert "familiar_operator" in {one.code for one in slot.reasons}


def test_laser_that_serves_more_of_the_visible_parts_ranks_first():
    case = simple_case(
        lasers=((1, {1064}, None), (2, {1064, 532}, None)),
        tips=((1, {1064}, (FittedTo(1, LONG_AGO),)), (2, {1064, 532}, (FittedTo(2, LONG_AGO),))),
        rooms=((1, True, {532, 1064}),),
    )
    request = SlotRequest(
        timeline=Timeline.whole_visit(30),
        needs=(InkNeed("black", (1064,), 0.7), InkNeed("red", (532,), 0.3, required=False)),
        earliest_at=MONDAY,
    )
    slot = search(case, request).slots[0]
    assert (slot.laser_id, slot.wavelengths_nm) == (2, (532, 1064))
    assert slot.left_out == ()


def test_days_close_to_the_advised_one_come_first():
    slots = search(
        simple_case(days=21), request_for(advised_on=date(2026, 6, 10), limit=5), slots_per_day=1
    ).slots
    assert slots[0].start.day == 10
    assert {slot.start.day for slot in slots} == {8, 9, 10, 11, 12}


def test_slots_are_spread_over_days_and_apart_from_each_other():
    slots = search(simple_case(days=3), request_for(60, limit=6), slots_per_day=2).slots
    assert sorted(slot.start.day for slot in slots) == [1, 1, 2, 2, 3, 3]
    starts = sorted(slot.start for slot in slots)
    gaps = [later - earlier for earlier, later in pairwise(starts)]
    assert min(gaps) >= timedelta(minutes=120)


def test_when_days_run_out_more_of_a_day_is_offered():
    slots = search(simple_case(days=1), request_for(60, limit=10), slots_per_day=1).slots
    assert len(slots) == 4
    assert [slot.score for slot in slots] == sorted((s.score for s in slots), reverse=True)


def test_slot_that_leaves_no_useless_gap_comes_first():
    busy = {("room", 1): [Span(at(1, 9), at(1, 11))]}
    slot = search(simple_case(days=1, busy=busy, open_hours=(9, 12)), request_for(30)).slots[0]
    assert slot.start in {at(1, 11), at(1, 11, 30)}


def test_visit_that_ends_at_closing_time_leaves_no_gap():
    case = simple_case(days=1, open_hours=(9, 12))
    slots = search(case, request_for(60, limit=3), min_apart_minutes=0).slots
    fragmentation = {slot.start: slot.parts[1].value for slot in slots}
    assert fragmentation[at(1, 9)] == fragmentation[at(1, 11)] == 0.75


def test_visit_whose_passes_fall_into_the_waits_of_another_comes_first():
    """The day is free but for one session: waits of its laser and operator are used first."""
    timeline = multi_pass([10, 10], wait_minutes=20)
    uses = [Span(at(1, 11), at(1, 11, 10)), Span(at(1, 11, 30), at(1, 11, 40))]
    busy = {
        ("room", 1): [Span(at(1, 11), at(1, 11, 40))],
        ("laser", 1): uses,
        ("operator", 1): uses,
    }
    case = simple_case(days=1, rooms=((1, True, {1064}), (2, True, {1064})), busy=busy)
    slot = search(case, request_for(timeline=timeline)).slots[0]
    assert slot.room_id == 2
    assert slot.start == at(1, 10, 50)


def test_two_rooms_share_a_laser_during_each_others_waits():
    """Passes of 10 minutes with waits of 20: the second room fits into the first one's waits."""
    timeline = multi_pass([10, 10], wait_minutes=20)
    busy = {
        ("room", 1): [Span(at(1, 9), at(1, 9, 40))],
        ("laser", 1): [Span(at(1, 9), at(1, 9, 10)), Span(at(1, 9, 30), at(1, 9, 40))],
        ("operator", 1): [Span(at(1, 9), at(1, 9, 10)), Span(at(1, 9, 30), at(1, 9, 40))],
    }
    case = simple_case(
        days=1,
        rooms=((1, True, {1064}), (2, True, {1064})),
        busy=busy,
        open_hours=(9, 10),
    )
    assert starts_of(case, request_for(timeline=timeline)) == [
        at(1, 9, 10),
        at(1, 9, 15),
        at(1, 9, 20),
    ]
    assert not starts_of(case, request_for(timeline=Timeline.whole_visit(40)))


def test_room_only_clean_up_does_not_bind_the_patient():
    timeline = Timeline(
        (Segment(30, frozenset(TreatmentRole)), Segment(30, frozenset({TreatmentRole.ROOM})))
    )
    request = request_for(timeline=timeline, patient_busy=(Span(at(1, 9, 30), at(1, 17)),))
    assert starts_of(simple_case(days=1), request) == [at(1, 9)]


def test_preferred_clinic_ranks_first_and_each_keeps_its_own_clock():
    near = simple_case(clinic_id=1, preference=0.2)
    far = simple_case(clinic_id=2, preference=1.0, zone=ZoneInfo("America/New_York"))
    answer = search_slots(request_for(limit=50), grid=near.grid, clinics=[near.clinic, far.clinic])
    assert answer.slots[0].clinic_id == 2
    assert {slot.clinic_id for slot in answer.slots} == {1, 2}


def test_earliest_first_takes_the_first_starts_of_all_clinics_in_order_of_time():
    late = simple_case(clinic_id=1, preference=1.0, open_hours=(10, 17))
    early = simple_case(clinic_id=2, preference=0.0, open_hours=(9, 17))
    request = request_for(limit=4, advised_on=date(2026, 6, 5), earliest_first=True)
    answer = search_slots(
        request, grid=late.grid, clinics=[late.clinic, early.clinic], policy=SearchPolicy()
    )
    assert [(slot.start, slot.clinic_id) for slot in answer.slots] == [
        (at(1, 9), 2),
        (at(1, 10), 1),
        (at(1, 11), 2),
        (at(1, 12), 1),
    ]


def test_earliest_first_prefers_the_better_of_two_at_the_same_instant():
    liked = simple_case(clinic_id=2, preference=1.0)
    other = simple_case(clinic_id=1, preference=0.2)
    request = request_for(limit=1, earliest_first=True)
    (slot,) = search_slots(request, grid=liked.grid, clinics=[other.clinic, liked.clinic]).slots
    assert (slot.start, slot.clinic_id) == (at(1, 9), 2)


def test_same_question_gives_the_same_answer():
    case = simple_case(operators=((2, (ANY_LASER,)), (1, (ANY_LASER,))))
    assert search(case, request_for()) == search(case, request_for())


def test_day_on_which_clocks_change_keeps_wishes_on_the_wall():
    start = datetime(2026, 3, 28, 23, tzinfo=UTC)
    case = simple_case(
        days=1,
        zone=ZoneInfo("Europe/Berlin"),
        open_hours=(0, 23),
        grid=Grid(start, 288),
    )
    request = request_for(60, earliest_at=start, wishes=(TimeWish(since=time(10), until=time(11)),))
    assert starts_of(case, request) == [datetime(2026, 3, 29, 8, tzinfo=UTC)]


class TestChangeover:
    """A laser with two handpieces: between uses with different ones it takes time."""

    TIPS = ((1, {1064}, (FittedTo(1, LONG_AGO),)), (2, {532}, (FittedTo(1, LONG_AGO),)))
    OTHER = Span(at(1, 11), at(1, 12))

    def starts(self, *, used, minutes, **request):
        busy = {("laser", 1): [self.OTHER], ("handpiece", used): [self.OTHER]}
        case = simple_case(days=1, tips=self.TIPS, busy=busy)
        return starts_of(case, request_for(60, **request), changeover_minutes=minutes)

    def test_leaves_time_before_and_after_a_use_with_another_handpiece(self):
        found = self.starts(used=2, minutes=15)
        assert at(1, 9, 45) in found
        assert at(1, 9, 50) not in found
        assert at(1, 12, 10) not in found
        assert at(1, 12, 15) in found

    def test_takes_none_for_the_same_handpiece(self):
        found = self.starts(used=1, minutes=15)
        assert at(1, 10) in found
        assert at(1, 12) in found

    def test_takes_none_where_the_chain_says_so(self):
        assert at(1, 10) in self.starts(used=2, minutes=0)

    def test_counts_in_the_waits_of_a_session_of_several_passes(self):
        passes = multi_pass([10, 10], wait_minutes=40)
        other = Span(at(1, 11, 10), at(1, 11, 30))
        busy = {("laser", 1): [other], ("handpiece", 2): [other]}
        case = simple_case(days=1, tips=self.TIPS, busy=busy)
        request = request_for(timeline=passes)
        assert at(1, 10, 50) in starts_of(case, request, changeover_minutes=10)
        assert at(1, 11) not in starts_of(case, request, changeover_minutes=10)
        assert at(1, 11) in starts_of(case, request)

    def test_is_named_when_it_binds(self):
        busy = {
            ("laser", 1): [Span(at(1, 9), at(1, 12)), Span(at(1, 13), at(1, 17))],
            ("handpiece", 2): [Span(at(1, 9), at(1, 12)), Span(at(1, 13), at(1, 17))],
        }
        case = simple_case(days=1, tips=self.TIPS, busy=busy)
        assert search(case, request_for(60)).slots
        answer = search(case, request_for(60), changeover_minutes=5)
        assert {reason.code for reason in answer.bounds} >= {"laser_changeover"}
