"""Opening hours over HTTP: days when clocks change, reasons, and changes that strand no visit."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from django.db.backends.postgresql.psycopg_any import DateRange

from clinics.models import Closure, HolidayOverride, OpeningRule
from clinics.vocabulary import HolidayTreatment, Role
from core.db import as_range
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.factories import (
    instant,
    make_chain,
    make_clinic,
    make_opening_week,
    make_reservation,
    make_room,
    span,
)

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T06:00Z")


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def clinic():
    clinic = make_clinic(time_zone="UTC", country="DE")
    make_opening_week(clinic)
    return clinic


@pytest.fixture
def manager(clinic):
    return sign_in(chain=clinic.chain)


def days_of(caller, clinic, first, after):
    answer = caller.get(f"/clinics/{clinic.pk}/opening-hours", from_=first, to=after)
    assert answer.status_code == 200, answer.json()
    return answer.json()


def opens(day):
    return [(part["start"], part["end"]) for part in day["open"]]


def book(clinic, start, minutes=60):
    room = clinic.rooms.first() or make_room(clinic)
    return make_reservation(room.resource, span(start, minutes=minutes))


@pytest.mark.parametrize(
    ("zone", "day", "start", "end", "local"),
    [
        ("Europe/Berlin", "2026-03-28", "00:30", "03:30", ("+01:00", "+01:00")),
        ("Europe/Berlin", "2026-03-29", "00:30", "02:30", ("+01:00", "+02:00")),
        ("Europe/Berlin", "2026-10-25", "23:30", "03:30", ("+02:00", "+01:00")),
        ("America/New_York", "2026-03-08", "06:30", "08:30", ("-05:00", "-04:00")),
        ("America/New_York", "2026-03-29", "05:30", "08:30", ("-04:00", "-04:00")),
        ("America/New_York", "2026-11-01", "05:30", "09:30", ("-04:00", "-05:00")),
    ],
)
def test_wall_time_holds_on_days_when_the_clocks_change(zone, day, start, end, local):
    """From 01:30 to 04:30 lasts two hours in spring and four in autumn; oracle: by hand."""
    clinic = make_clinic(time_zone=zone, country="")
    make_opening_week(clinic, opens=time(1, 30), closes=time(4, 30))
    after = str(date.fromisoformat(day) + timedelta(days=1))
    answer = days_of(sign_in(chain=clinic.chain), clinic, day, after)
    assert answer["time_zone"] == zone
    (shown,) = answer["days"]
    (part,) = shown["open"]
    assert (part["start"][11:16], part["end"][11:16]) == (start, end)
    assert part["local_start"] == f"{day}T01:30:00{local[0]}"
    assert part["local_end"] == f"{day}T04:30:00{local[1]}"


def test_two_clinics_of_one_chain_keep_their_own_clocks():
    chain = make_chain()
    berlin = make_clinic(chain, time_zone="Europe/Berlin", country="")
    perth = make_clinic(chain, time_zone="Australia/Perth", country="")
    for place in (berlin, perth):
        make_opening_week(place)
    caller = sign_in(chain=chain)
    seen = [
        opens(days_of(caller, place, "2026-03-29", "2026-03-30")["days"][0])
        for place in (berlin, perth)
    ]
    assert seen == [
        [("2026-03-29T07:00:00Z", "2026-03-29T15:00:00Z")],
        [("2026-03-29T01:00:00Z", "2026-03-29T09:00:00Z")],
    ]


def test_each_day_says_what_decided_it(clinic, manager):
    OpeningRule.objects.filter(clinic=clinic, weekday=7).delete()
    decide = HolidayOverride.objects.create
    decide(clinic=clinic, date=date(2026, 4, 2), treatment="closed", reason="Staff day")
    decide(
        clinic=clinic,
        date=date(2026, 4, 6),
        treatment=HolidayTreatment.OPEN,
        opens=time(10),
        closes=time(0),
        reason="Easter market",
    )
    closure = Closure.objects.create(
        clinic=clinic, period=as_range(span("2026-04-01T12:00Z", minutes=120)), reason="No power"
    )
    days = days_of(manager, clinic, "2026-04-01", "2026-04-07")["days"]
    told = [(d["date"], d["decided_by"], d["note"], bool(d["public_holiday"])) for d in days]
    assert told == [
        ("2026-04-01", "weekly", "", False),
        ("2026-04-02", "override_closed", "Staff day", False),
        ("2026-04-03", "public_holiday", "", True),
        ("2026-04-04", "weekly", "", False),
        ("2026-04-05", "no_rule", "", False),
        ("2026-04-06", "override_open", "Easter market", True),
    ]
    assert days[0]["closures"] == [
        {
            "id": closure.pk,
            "start": "2026-04-01T12:00:00Z",
            "end": "2026-04-01T14:00:00Z",
            "reason": "No power",
        }
    ]
    assert opens(days[0]) == [
        ("2026-04-01T09:00:00Z", "2026-04-01T12:00:00Z"),
        ("2026-04-01T14:00:00Z", "2026-04-01T17:00:00Z"),
    ]
    assert opens(days[5]) == [("2026-04-06T10:00:00Z", "2026-04-07T00:00:00Z")]
    assert [len(day["closures"]) for day in days] == [1, 0, 0, 0, 0, 0]


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ({}, "parameter_invalid"),
        ({"from_": "2026-03-01"}, "parameter_invalid"),
        ({"from_": "2026-03-01", "to": "2026-03-01"}, "parameter_invalid"),
        ({"from_": "2026-03-02", "to": "2026-03-01"}, "parameter_invalid"),
        ({"from_": "2026-01-01", "to": "2027-01-03"}, "parameter_invalid"),
        ({"from_": "x", "to": "2026-03-01"}, "parameter_invalid"),
        ({"from_": "0001-01-01", "to": "0001-01-02"}, "parameter_invalid"),
        ({"from_": "9999-12-30", "to": "9999-12-31"}, "parameter_invalid"),
        ({"from_": "2026-03-01", "to": "2026-03-02", "limit": "1"}, "parameter_unknown"),
    ],
)
def test_dates_that_make_no_sense_are_refused(clinic, manager, query, code):
    answer = manager.get(f"/clinics/{clinic.pk}/opening-hours", **query)
    assert_problem(answer, 400, code)


def rule_body(clinic, **fields):
    return {
        "clinic": clinic.pk,
        "weekday": 1,
        "opens": "18:00",
        "closes": "20:00",
        "valid_from": "2026-01-01",
        **fields,
    }


def test_two_rules_never_cover_the_same_hours(clinic, manager):
    evening = manager.post("/opening-rules", rule_body(clinic))
    assert evening.json()["opens"] == "18:00"
    for hours in (("08:00", "09:01"), ("16:59", "18:00"), ("19:00", "00:00"), ("00:00", "00:00")):
        body = rule_body(clinic, opens=hours[0], closes=hours[1])
        assert_problem(manager.post("/opening-rules", body), 409, "opening_rule_overlaps")
    for change in ({"weekday": 2, "opens": "16:00"}, {"opens": "16:00"}):
        path = f"/opening-rules/{evening.json()['id']}"
        assert_problem(manager.patch(path, change, version=1), 409, "opening_rule_overlaps")
    assert manager.post("/opening-rules", rule_body(clinic, opens="20:00", closes="00:00"))
    assert OpeningRule.objects.filter(clinic=clinic, weekday=1).count() == 3


def test_hours_change_by_ending_one_rule_and_beginning_the_next(clinic, manager):
    old = OpeningRule.objects.get(clinic=clinic, weekday=1)
    path = f"/opening-rules/{old.pk}"
    ended = manager.patch(path, {"valid_until": "2026-04-01"}, version=1)
    assert ended.json()["valid_from"] == "2020-01-01"
    body = rule_body(clinic, opens="10:00", closes="15:00", valid_from="2026-04-01")
    assert manager.post("/opening-rules", body).status_code == 201
    days = days_of(manager, clinic, "2026-03-30", "2026-04-14")["days"]
    mondays = [opens(day) for day in days if date.fromisoformat(day["date"]).isoweekday() == 1]
    assert mondays[0] == [("2026-03-30T09:00:00Z", "2026-03-30T17:00:00Z")]
    assert mondays[2] == [("2026-04-13T10:00:00Z", "2026-04-13T15:00:00Z")]


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"weekday": 8}, {"/weekday": "max_value"}),
        ({"weekday": 0}, {"/weekday": "min_value"}),
        ({"opens": "20:00"}, {"/closes": "order"}),
        ({"opens": "25:00"}, {"/opens": "invalid"}),
        ({"valid_until": "2025-01-01"}, {"/valid_until": "order"}),
        ({"clinic": 0}, {"/clinic": "does_not_exist"}),
    ],
)
def test_a_wrong_rule_is_refused(clinic, manager, change, wrong):
    body = {**rule_body(clinic), **change}
    problem = assert_problem(manager.post("/opening-rules", body), 400)
    assert pointers(problem) == wrong


def closure_body(clinic, start, end, **fields):
    return {"clinic": clinic.pk, "start": start, "end": end, "reason": "No power", **fields}


def test_a_closure_that_strands_visits_names_them(clinic, manager):
    visit = book(clinic, "2026-03-03T10:00Z")
    book(clinic, "2026-03-04T10:00Z")
    body = closure_body(clinic, "2026-03-03T10:59:00Z", "2026-03-03T12:00:00Z")
    problem = assert_problem(manager.post("/closures", body), 409, "visits_in_the_way")
    assert problem["sources"] == [visit.source]
    assert not Closure.objects.exists()

    accepted = manager.post("/closures", {**body, "despite_visits": True})
    assert accepted.status_code == 201
    assert "despite_visits" not in accepted.json()


def test_what_lay_outside_before_is_nobodys_fault_now(clinic, manager):
    book(clinic, "2026-03-03T18:00Z")
    body = closure_body(clinic, "2026-03-04T10:00:00Z", "2026-03-04T12:00:00Z")
    assert manager.post("/closures", body).status_code == 201


def test_visits_that_are_over_do_not_count(clinic, manager):
    book(clinic, "2026-03-01T10:00Z")
    body = closure_body(clinic, "2026-03-01T10:00:00Z", "2026-03-01T12:00:00Z")
    assert manager.post("/closures", body).status_code == 201


def test_a_weekly_rule_with_visits_is_not_taken_away_unseen(clinic, manager):
    visit = book(clinic, "2026-03-09T15:30Z")
    rule = OpeningRule.objects.get(clinic=clinic, weekday=1)
    path = f"/opening-rules/{rule.pk}"
    for answer in (
        manager.delete(path, version=1),
        manager.patch(path, {"closes": "16:00"}, version=1),
        manager.patch(path, {"valid_until": "2026-03-09"}, version=1),
    ):
        problem = assert_problem(answer, 409, "visits_in_the_way")
        assert problem["sources"] == [visit.source]
    rule.refresh_from_db()
    assert (rule.version, rule.closes) == (1, time(17))
    assert manager.delete(path, version=1, despite_visits="true").status_code == 204


def test_a_decision_about_a_date_with_visits_is_not_made_unseen(clinic, manager):
    visit = book(clinic, "2026-03-03T10:00Z")
    body = {"clinic": clinic.pk, "date": "2026-03-03", "treatment": "closed"}
    problem = assert_problem(manager.post("/holiday-overrides", body), 409)
    assert problem["sources"] == [visit.source]
    late = {**body, "treatment": "open", "opens": "09:00", "closes": "12:00"}
    made = manager.post("/holiday-overrides", late)
    assert made.status_code == 201
    path = f"/holiday-overrides/{made.json()['id']}"
    assert_problem(manager.patch(path, {"closes": "10:30"}, version=1), 409)
    assert_problem(manager.post("/holiday-overrides", late), 409, "holiday_override_taken")


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"opens": "10:00"}, {"/closes"}),
        ({"closes": "10:00"}, {"/opens"}),
        ({"opens": "10:00", "closes": "09:00"}, {"/closes"}),
        ({"opens": "10:00", "closes": "12:00", "treatment": "closed"}, {"/opens"}),
        ({"treatment": "maybe"}, {"/treatment"}),
    ],
)
def test_a_wrong_decision_about_a_date_is_refused(clinic, manager, change, wrong):
    body = {"clinic": clinic.pk, "date": "2026-03-03", "treatment": "open", **change}
    problem = assert_problem(manager.post("/holiday-overrides", body), 400, "invalid")
    assert set(pointers(problem)) == wrong


@pytest.mark.parametrize("path", ["/opening-rules", "/closures", "/holiday-overrides"])
@pytest.mark.parametrize("role", list(Role))
def test_only_a_manager_of_that_clinic_writes_hours(clinic, path, role):
    other = make_clinic(clinic.chain)
    bodies = {
        "/opening-rules": rule_body(clinic),
        "/closures": closure_body(clinic, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z"),
        "/holiday-overrides": {"clinic": clinic.pk, "date": "2026-03-03", "treatment": "closed"},
    }
    here, elsewhere = sign_in(role, clinic=clinic), sign_in(role, clinic=other)
    assert_problem(elsewhere.post(path, bodies[path]), 403)
    answer = here.post(path, bodies[path])
    assert answer.status_code == (201 if role == Role.CHAIN_MANAGER else 403)


def test_rows_of_another_chain_do_not_exist(clinic, manager):
    stranger = sign_in()
    rule = OpeningRule.objects.filter(clinic=clinic).first()
    path = f"/opening-rules/{rule.pk}"
    assert_problem(stranger.get(path), 404)
    assert_problem(stranger.delete(path, version="*"), 404)
    assert_problem(stranger.patch(path, {"weekday": 2}, version="*"), 404)
    assert stranger.get("/opening-rules").json()["items"] == []
    assert pointers(assert_problem(stranger.post("/closures", {"clinic": clinic.pk}), 400))[
        "/clinic"
    ] == ("does_not_exist")


def test_rules_are_listed_by_date_and_weekday(clinic, manager):
    old = OpeningRule.objects.create(
        clinic=clinic,
        weekday=1,
        opens=time(8),
        closes=time(12),
        valid_during=DateRange(date(2019, 1, 1), date(2020, 1, 1)),
    )
    found = manager.get("/opening-rules", weekday=1, valid_on="2019-12-31").json()["items"]
    assert [row["id"] for row in found] == [old.pk]
    found = manager.get("/opening-rules", weekday=1, valid_on="2020-01-01").json()["items"]
    assert old.pk not in [row["id"] for row in found]


def test_a_closure_is_shown_in_utc(clinic, manager):
    body = closure_body(clinic, "2026-03-03T10:00:00+01:00", "2026-03-03T12:00:00+01:00")
    shown = manager.post("/closures", body).json()
    assert (shown["start"], shown["end"]) == ("2026-03-03T09:00:00Z", "2026-03-03T11:00:00Z")
    assert Closure.objects.get().period.lower == datetime(2026, 3, 3, 9, tzinfo=UTC)
