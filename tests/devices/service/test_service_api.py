"""Service plans, their forecast, visits, and the tick that enforces them."""

from datetime import timedelta

import pytest
from django.core.management import call_command

from clinics.models import Reservation
from clinics.vocabulary import Role
from devices.models import LockOut, ServicePlan, ServiceVisit
from devices.services.service import services_tick
from tests.support.api import assert_problem, pointers, queries_of, sign_in
from tests.support.devices import make_fitted_handpiece, make_laser, make_pulse_entry
from tests.support.factories import make_clinic, make_reservation, now, span
from tests.support.upkeep import make_check, make_plan

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


def plan_body(site, **changes):
    return {
        "laser": site.laser.pk,
        "name": "Yearly service",
        "every_months": 12,
        "last_done_at": (now() - 30 * DAY).isoformat(),
        **changes,
    }


def fire(site, *, pulses, days_ago, source=""):
    return make_pulse_entry(
        site.laser, site.tip, pulses=pulses, fired_at=now() - days_ago * DAY, source=source
    )


def at_nine(days):
    return (now() + days * DAY).replace(hour=9, minute=0, second=0, microsecond=0)


def book(site, days=3, *, hours=2, key="one", **fields):
    start = at_nine(days)
    body = {
        "laser": site.laser.pk,
        "start": start.isoformat(),
        "end": (start + hours * HOUR).isoformat(),
        **fields,
    }
    return site.officer.post("/service-visits", body, key=key)


def test_a_plan_by_months_by_pulses_or_by_both(site):
    answer = site.officer.post("/service-plans", plan_body(site, every_pulses=100_000))
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert (shown["state"], shown["pulses_left"]) == ("far", 100_000)
    neither = plan_body(site, name="x", every_months=None)
    assert_problem(
        site.officer.post("/service-plans", neither), 400, "service_plan_without_interval"
    )
    assert_problem(site.officer.post("/service-plans", plan_body(site)), 409)
    assert_problem(site.desk.post("/service-plans", plan_body(site)), 403)
    path = f"/service-plans/{shown['id']}"
    assert_problem(site.officer.patch(path, {"tolerance_days": 7}), 428)
    changed = site.officer.patch(path, {"tolerance_days": 7}, version=1)
    assert (changed.json()["tolerance_days"], changed.json()["version"]) == (7, 2)


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"every_pulses": 0}, "/every_pulses"),
        ({"every_pulses": -5}, "/every_pulses"),
        ({"every_months": 1.5}, "/every_months"),
        ({"tolerance_days": -1}, "/tolerance_days"),
        ({"pulses_before": -1}, "/pulses_before"),
        ({"last_done_at": "2026-01-01"}, "/last_done_at"),
    ],
)
def test_impossible_plans_are_refused(site, wrong, pointer):
    answer = site.officer.post("/service-plans", plan_body(site, **wrong))
    assert pointer in pointers(assert_problem(answer, 400))
    ahead = plan_body(site, last_done_at=(now() + DAY).isoformat())
    assert_problem(site.officer.post("/service-plans", ahead), 400, "instant_in_the_future")
    assert not ServicePlan.objects.exists()


def test_pulses_count_from_the_ledger_since_it_was_last_done(site):
    fire(site, pulses=999, days_ago=50)
    fire(site, pulses=300, days_ago=5)
    plan = make_plan(
        site.laser, last_done_at=now() - 30 * DAY, every_pulses=1000, pulses_before=100
    )
    shown = site.officer.get(f"/service-plans/{plan.pk}").json()
    assert (shown["pulses_since"], shown["pulses_left"]) == (400, 600)


@pytest.mark.parametrize(
    ("since", "state"), [(999, "near"), (1000, "due"), (1050, "due"), (1051, "overdue")]
)
def test_due_at_the_interval_overdue_beyond_the_tolerance(site, since, state):
    for number in range(10):
        fire(site, pulses=1, days_ago=number + 1, source=f"session:{number}")
    plan = make_plan(
        site.laser,
        last_done_at=now() - DAY / 2,
        every_pulses=1000,
        tolerance_pulses=50,
        pulses_before=since,
    )
    assert site.officer.get(f"/service-plans/{plan.pk}").json()["state"] == state


def test_the_forecast_says_what_it_stands_on(site):
    for number in range(40):
        fire(site, pulses=1000, days_ago=number + 1, source=f"session:{number}")
    plan = make_plan(
        site.laser, last_done_at=now() - DAY / 2, every_pulses=30_000, tolerance_pulses=10_000
    )
    make_reservation(site.laser.resource, span(at_nine(4)))
    shown = site.officer.get(f"/service-plans/{plan.pk}/forecast").json()
    dates = [shown["due"][share] for share in ("p10", "p50", "p90")]
    assert dates == sorted(dates)
    assert shown["overdue"]["p50"] > shown["due"]["p50"]
    assert (shown["recent"]["sessions"], shown["recent"]["sessions_booked"]) == (40, 1)
    assert shown["recent"]["pulses_per_session"] == 1000
    assert shown["basis"]
    assert shown["caution"]


def test_the_day_that_displaces_the_fewest_patients(site):
    plan = make_plan(site.laser, last_done_at=now() - DAY)
    for days, starts in ((1, (9, 12, 15)), (2, (9,))):
        for hour in starts:
            begins = at_nine(days).replace(hour=hour)
            make_reservation(site.laser.resource, span(begins, minutes=120))
    shown = site.officer.get(f"/service-plans/{plan.pk}/visit-days", minutes=480).json()
    assert [row["patients"] for row in shown["days"]][:1] == [0]
    by_day = {row["day"]: row for row in shown["days"]}
    first, second = (by_day[at_nine(n).date().isoformat()] for n in (1, 2))
    assert (first["patients"], second["patients"]) == (3, 1)
    assert second["displaced"][0].startswith("appointment:")
    assert len(shown["days"]) >= 14
    assert_problem(site.officer.get(f"/service-plans/{plan.pk}/visit-days", minutes=0), 400)
    assert_problem(site.officer.get(f"/service-plans/{plan.pk}/visit-days"), 400)
    empty = site.officer.get(f"/service-plans/{plan.pk}/visit-days", minutes=15, since="")
    assert_problem(empty, 400, "parameter_invalid")
    past = {"since": "2000-01-01", "until": "2000-01-01"}
    shown = site.officer.get(f"/service-plans/{plan.pk}/visit-days", minutes=15, **past).json()
    assert shown["days"] == []


def test_a_visit_reserves_the_laser_like_an_appointment(site):
    plan = make_plan(site.laser, last_done_at=now() - DAY)
    answer = book(site, plans=[plan.pk], note="yearly")
    assert answer.status_code == 201, answer.json()
    shown = answer.json()
    assert (shown["status"], shown["plans"], shown["hits"]) == ("booked", [plan.pk], [])
    reserved = Reservation.objects.get()
    assert (reserved.source, reserved.reason) == (f"service_visit:{shown['id']}", "service")
    assert book(site, plans=[plan.pk], note="yearly").content == answer.content
    assert ServiceVisit.objects.count() == 1
    assert_problem(book(site, key="two"), 409, "visits_in_the_way")
    path = f"/service-visits/{shown['id']}/cancel"
    assert_problem(site.officer.post(path), 428)
    cancelled = site.officer.client.post(f"/api/v1{path}", headers={"If-Match": '"1"'})
    assert cancelled.json()["status"] == "cancelled"
    assert not Reservation.objects.exists()


def test_over_appointments_only_on_purpose_and_reserved_when_they_have_gone(site):
    booked = make_reservation(site.laser.resource, span(at_nine(3)))
    problem = assert_problem(book(site), 409, "visits_in_the_way")
    assert problem["sources"] == [booked.source]
    assert not LockOut.objects.exists()
    answer = book(site, key="two", despite_visits=True)
    shown = answer.json()
    assert (shown["status"], [hit["source"] for hit in shown["hits"]]) == (
        "pending",
        [booked.source],
    )
    lock_out = LockOut.objects.get()
    assert (lock_out.pk, lock_out.reason) == (shown["lock_out"], "service_visit")
    assert lock_out.period.lower == at_nine(3)
    assert services_tick(now=now())["settled"] == 0
    booked.delete()
    assert services_tick(now=now())["settled"] == 1
    assert ServiceVisit.objects.get().status == "booked"
    assert Reservation.objects.get().source == f"service_visit:{shown['id']}"
    assert not LockOut.objects.exists()


def test_no_visit_in_the_past_for_other_lasers_plans_or_by_others(site):
    assert_problem(book(site, days=-1), 422, "service_visit_in_the_past")
    foreign = make_plan(make_laser(site.clinic), last_done_at=now() - DAY)
    assert_problem(book(site, key="b", plans=[foreign.pk]), 400, "service_plans_of_others")
    other = sign_in(Role.LASER_SAFETY_OFFICER, clinic=make_clinic(site.clinic.chain))
    start = at_nine(1)
    body = {"laser": site.laser.pk, "start": start.isoformat(), "end": (start + HOUR).isoformat()}
    assert_problem(other.post("/service-visits", body, key="k"), 403, "not_allowed")
    assert not ServiceVisit.objects.exists()


def test_never_over_another_service_or_an_absence(site):
    book(site)
    again = book(site, key="two", despite_visits=True)
    assert_problem(again, 409, "visits_in_the_way")
    assert ServiceVisit.objects.count() == 1
    assert not LockOut.objects.exists()


def begun_visit(site, plan):
    visit = ServiceVisit.objects.get(pk=book(site, plans=[plan.pk]).json()["id"])
    visit.period = type(visit.period)(now() - HOUR, now() + HOUR)
    visit.save()
    return visit


def complete(site, visit, **fields):
    return site.officer.client.post(
        f"/api/v1/service-visits/{visit.pk}/complete",
        {"outcome": "lamp and mirrors", **fields},
        format="json",
        headers={"If-Match": f'"{visit.version}"'},
    )


def test_a_visit_ahead_is_not_done_yet(site):
    plan = make_plan(site.laser, last_done_at=now() - 400 * DAY)
    visit = ServiceVisit.objects.get(pk=book(site, plans=[plan.pk]).json()["id"])
    make_check(site.laser, site.tip, checked_at=now())
    assert_problem(complete(site, visit), 409, "service_visit_ahead")


def test_a_visit_is_verified_before_it_counts(site):
    plan = make_plan(site.laser, last_done_at=now() - 400 * DAY)
    visit = begun_visit(site, plan)
    make_check(site.laser, site.tip, checked_at=now() - 2 * HOUR)
    assert_problem(complete(site, visit), 422, "verification_missing")
    good = make_check(site.laser, site.tip, checked_at=now())
    done = complete(site, visit)
    assert done.status_code == 200, done.json()
    assert (done.json()["status"], done.json()["verification"]) == ("fulfilled", good.pk)
    plan.refresh_from_db()
    assert plan.last_done_at > now() - HOUR
    visit.refresh_from_db()
    assert_problem(complete(site, visit), 409, "service_visit_closed")


def test_overdue_warns_and_locks_out_once(site):
    make_plan(site.laser, name="Lamp", last_done_at=now() - 400 * DAY)
    near = make_plan(site.laser, last_done_at=now() - 355 * DAY)
    make_plan(site.laser, last_done_at=now() - 10 * DAY)
    booked = make_reservation(site.laser.resource, span(at_nine(3)))
    first = services_tick(now=now())
    assert (first["warned"], first["locked_out"]) == (2, 1)
    lock_out = LockOut.objects.get()
    assert (lock_out.reason, lock_out.note) == ("service_due", "Overdue: Lamp")
    assert lock_out.placed_by is None
    hits = site.officer.get(f"/lock-outs/{lock_out.pk}").json()["hits"]
    assert [hit["source"] for hit in hits] == [booked.source]
    again = services_tick(now=now())
    assert (again["warned"], again["locked_out"]) == (0, 0)
    near.refresh_from_db()
    assert near.warned_at is not None


def test_released_when_done_or_put_off_and_measured(site):
    plan = make_plan(site.laser, last_done_at=now() - 400 * DAY)
    services_tick(now=now() - HOUR)
    path = f"/lock-outs/{LockOut.objects.get().pk}/release"
    assert_problem(site.officer.post(path, {"note": "-"}), 422, "verification_missing")
    make_check(site.laser, site.tip, checked_at=now())
    assert_problem(site.officer.post(path, {"note": "-"}), 422, "service_still_due")
    put_off = {"until": (now() + 5 * DAY).isoformat(), "reason": "engineer comes on Friday"}
    plan.refresh_from_db()
    defer = f"/api/v1/service-plans/{plan.pk}/defer"
    headers = {"If-Match": f'"{plan.version}"'}
    answer = site.officer.client.post(defer, put_off, format="json", headers=headers)
    assert answer.status_code == 200, answer.json()
    assert answer.json()["state"] == "overdue"
    assert site.officer.post(path, {"note": "measured"}).status_code == 200
    assert services_tick(now=now())["locked_out"] == 0
    assert services_tick(now=now() + 6 * DAY)["locked_out"] == 1


def test_put_off_only_ahead_with_a_reason_and_by_the_safety_officer(site):
    plan = make_plan(site.laser, last_done_at=now() - 400 * DAY)
    path = f"/api/v1/service-plans/{plan.pk}/defer"
    headers = {"If-Match": '"1"'}
    past = {"until": (now() - DAY).isoformat(), "reason": "x"}
    answer = site.officer.client.post(path, past, format="json", headers=headers)
    assert_problem(answer, 400, "deferral_incomplete")
    ahead = {"until": (now() + DAY).isoformat(), "reason": "x"}
    answer = site.manager.client.post(path, ahead, format="json", headers=headers)
    assert_problem(answer, 403)


def test_a_chain_may_choose_not_to_lock_out(site):
    chain = site.clinic.chain
    chain.device_policy = {"service_lock_out": False}
    chain.save()
    make_plan(site.laser, last_done_at=now() - 400 * DAY)
    assert services_tick(now=now()) == {"warned": 1, "locked_out": 0, "settled": 0}
    assert not LockOut.objects.exists()


def test_the_tick_runs_without_a_task_queue(site, capsys):
    make_plan(site.laser, last_done_at=now() - 400 * DAY)
    call_command("run_services")
    assert "locked_out 1" in capsys.readouterr().out
    assert LockOut.objects.count() == 1


def add_plans(site, count):
    for _ in range(count):
        laser = make_laser(make_clinic(site.clinic.chain))
        make_plan(laser, last_done_at=now() - DAY, every_pulses=1000)
        tip = make_fitted_handpiece(laser)
        make_pulse_entry(laser, tip, fired_at=now() - DAY, source="session:1")
        ServiceVisit.objects.create(
            laser=laser,
            period=span(at_nine(2))
            and type(site.tip.fittings.get().period)(at_nine(2), at_nine(3)),
            status="cancelled",
            booked_by=site.officer.staff,
        )


def test_lists_cost_the_same_for_many_rows_as_for_few(site):
    paths = ("/service-plans", "/service-visits")
    add_plans(site, 2)
    few = [queries_of(site.officer, path) for path in paths]
    add_plans(site, 10)
    assert [queries_of(site.officer, path) for path in paths] == few
    assert len(site.officer.get("/service-plans").json()["items"]) == 12
