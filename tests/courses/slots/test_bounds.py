from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest

from core.spans import Span, subtract
from courses.slots import (
    FittedTo,
    Grid,
    LockedOut,
    OperatorCredential,
    TimeWish,
    search_slots,
)
from tests.support.slot_cases import LONG_AGO, MONDAY, request_for, simple_case

WEEK_END = MONDAY + timedelta(days=7)
ALL_WEEK = [Span(MONDAY, WEEK_END)]


def bounds(case, request=None):
    answer = search_slots(request or request_for(), grid=case.grid, clinics=[case.clinic])
    assert not answer.slots
    return {reason.code: reason for reason in answer.bounds}


def test_laser_without_the_wavelength():
    found = bounds(simple_case(), request_for(needs=(("green", (694, 650)),)))
    assert found["no_laser_with_wavelength"].detail == (
        "No laser with 694 or 650 nm at these clinics before 8 June 2026."
    )
    assert found["no_laser_with_wavelength"].data == {
        "key": "green",
        "wavelengths_nm": [694, 650],
        "before": "2026-06-08",
    }


def test_handpiece_without_the_wavelength():
    case = simple_case(tips=((1, {532}, (FittedTo(1, LONG_AGO),)),))
    assert list(bounds(case)) == ["no_handpiece_with_wavelength"]


def test_wavelengths_on_different_lasers():
    case = simple_case(
        lasers=((1, {1064}, None), (2, {755}, None)),
        tips=((1, {1064}, (FittedTo(1, LONG_AGO),)), (2, {755}, (FittedTo(2, LONG_AGO),))),
    )
    found = bounds(case, request_for(needs=(("black", (1064,)), ("green", (755,)))))
    assert "1064 nm and 755 nm" in found["no_laser_with_all_wavelengths"].detail


def test_laser_locked_out():
    until = datetime(2026, 6, 12, 8, tzinfo=UTC)
    found = bounds(simple_case(locked={1: [LockedOut(LONG_AGO, until)]}))
    assert list(found) == ["laser_locked_out"]
    reason = found["laser_locked_out"]
    assert reason.detail == (
        "No laser with 1064 nm at these clinics before 8 June 2026:"
        " locked out are laser 1 until 12 June 2026."
    )
    assert reason.data["locked_out_until"] == {1: until.isoformat()}
    assert reason.data["first_start_without"] == datetime(2026, 6, 1, 9, tzinfo=UTC).isoformat()


def test_laser_locked_out_until_it_is_released():
    found = bounds(simple_case(locked={1: [LockedOut(LONG_AGO)]}))
    assert found["laser_locked_out"].data["locked_out_until"] == {1: None}
    assert "until it is released" in found["laser_locked_out"].detail


def test_handpiece_not_fitted():
    case = simple_case(tips=((1, {1064}, (FittedTo(2, LONG_AGO),)),))
    found = bounds(case)
    assert found["handpiece_not_fitted"].data["not_fitted"] == [{"handpiece_id": 1, "laser_id": 1}]


def test_room_not_cleared():
    found = bounds(simple_case(rooms=((1, True, {532}), (2, False, set()))))
    assert list(found) == ["room_not_cleared"]
    assert "No controlled room" in found["room_not_cleared"].detail


@pytest.mark.parametrize(
    ("credentials", "words"),
    [
        ((), "No operator at these clinics has a credential for 1064 nm"),
        (
            (OperatorCredential(date(2020, 1, 1), date(2026, 5, 20)),),
            "Every operator's credential for 1064 nm ends by 20 May 2026",
        ),
        (
            (OperatorCredential(date(2026, 7, 1)),),
            "Only operators without a credential for 1064 nm would be free then",
        ),
    ],
)
def test_operator_without_a_valid_credential(credentials, words):
    found = bounds(simple_case(operators=((1, credentials),)))
    assert list(found) == ["credential_missing"]
    assert words in found["credential_missing"].detail


def test_clinic_closed():
    case = simple_case()
    case.clinic = replace(case.clinic, open=case.grid.row([]))
    found = bounds(case)
    assert list(found) == ["clinic_closed"]
    assert "closed all the time" in found["clinic_closed"].detail


def test_window_closes_after_the_horizon():
    found = bounds(simple_case(), request_for(window_closes_on=date(2026, 7, 1)))
    assert list(found) == ["window_not_closed"]
    assert "closes on 1 July 2026" in found["window_not_closed"].detail
    assert found["window_not_closed"].data["window_closes_on"] == "2026-07-01"


def test_wishes_that_miss_the_opening_hours():
    wishes = (TimeWish(since=time(18)),)
    found = bounds(simple_case(), request_for(wishes=wishes))
    assert {"clinic_closed", "outside_wishes"} == set(found)


def test_patient_busy():
    assert list(bounds(simple_case(), request_for(patient_busy=tuple(ALL_WEEK)))) == [
        "patient_busy"
    ]


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("room", "rooms_booked"),
        ("operator", "operators_booked"),
        ("laser", "lasers_booked"),
        ("handpiece", "handpieces_booked"),
    ],
)
def test_someone_or_something_booked_all_the_time(kind, code):
    case = simple_case(busy={(kind, 1): ALL_WEEK})
    assert list(bounds(case)) == [code]


def test_chosen_operator_is_not_there():
    found = bounds(simple_case(), request_for(operator_ids=frozenset({77})))
    assert list(found) == ["operator_not_available"]


def test_two_conditions_that_each_bind_are_both_named():
    case = simple_case(busy={("room", 1): ALL_WEEK, ("laser", 1): ALL_WEEK})
    assert set(bounds(case)) == {"rooms_booked", "lasers_booked"}


def test_each_free_on_its_own_day_but_never_together():
    def only_on(day):
        begin = MONDAY + timedelta(days=day)
        return subtract(ALL_WEEK, [Span(begin, begin + timedelta(days=1))])

    busy = {("room", 1): only_on(0), ("operator", 1): only_on(1), ("laser", 1): only_on(2)}
    assert list(bounds(simple_case(busy=busy))) == ["never_together"]


def test_no_accepted_clinic():
    answer = search_slots(request_for(), grid=simple_case().grid, clinics=[])
    assert [reason.code for reason in answer.bounds] == ["no_clinic"]


def test_nobody_there_is_said_alone_and_not_as_every_condition():
    found = bounds(simple_case(operators=()))
    assert list(found) == ["no_operator_on_shift"]
    assert found["no_operator_on_shift"].data["clinic_ids"] == [1]


def test_no_room_in_use_is_said_alone():
    assert list(bounds(simple_case(rooms=()))) == ["no_room"]


def test_visit_longer_than_the_time_searched():
    case = simple_case(grid=Grid(MONDAY, 6), days=1, open_hours=(0, 0.5))
    found = bounds(case, request_for(minutes=60))
    assert list(found) == ["visit_longer_than_search"]
