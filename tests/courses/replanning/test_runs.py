"""Workers and runs: claimed once, taken up again when a worker is gone, given up in the end."""

from datetime import timedelta

import pytest
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction

from core.transitions import pairs
from courses import tasks
from courses.models import Replan, ReplanRow
from courses.replan import Progress, Step
from courses.services.replans import (
    replan_cancel,
    run_claim,
    run_settle,
    run_solve,
    runs_solve_due,
    runs_wake,
)
from courses.services.replans.claims import Failed, run_report
from courses.services.replans.watching import RunLost, Watch
from courses.transitions import REPLAN, REPLAN_ROW, REPLAN_RUN
from courses.vocabulary import ReplanStatus, TaskStatus
from tests.support.booking import NOW
from tests.support.replans import ask, rows_of, solve

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(minutes=2)


@pytest.fixture
def run(broken):
    return ask(broken).runs.get()


def claim(run, now=NOW):
    return run_claim(run_id=run.pk, now=now)


def test_one_worker_has_it(run):
    assert claim(run) is not None
    assert claim(run) is None
    assert not run_solve(run_id=run.pk, clock=lambda: NOW, beat_seconds=None)


def test_a_killed_workers_run_is_taken_up_again_and_the_dead_ones_word_does_not_count(run):
    dead = claim(run)
    assert runs_wake(now=NOW) == 0
    assert runs_wake(now=LATER) == 1
    assert runs_solve_due(clock=lambda: LATER, beat_seconds=None) == 1
    run.refresh_from_db()
    assert (run.status, run.attempt) == (TaskStatus.COMPLETED, 2)
    before = rows_of(run)
    assert not run_settle(claim=dead, outcome=Failed("late"), progress={}, now=LATER)
    assert rows_of(run) == before
    assert Replan.objects.get().status == ReplanStatus.PROPOSED


def test_who_says_that_it_lives_keeps_it(run):
    mine = claim(run)
    assert run_report(claim=mine, progress={"step": "prices"}, now=NOW + timedelta(seconds=20))
    assert claim(run, NOW + timedelta(seconds=40)) is None
    run.refresh_from_db()
    assert run.progress == {"step": "prices"}


def test_after_three_workers_it_is_given_up(run):
    for attempt in range(3):
        assert claim(run, NOW + attempt * timedelta(minutes=2)).attempt == attempt + 1
    run_solve(run_id=run.pk, clock=lambda: NOW + timedelta(minutes=8), beat_seconds=None)
    run.refresh_from_db()
    replan = Replan.objects.get()
    assert (run.status, run.status_reason) == (TaskStatus.FAILED, "gave_up")
    assert (replan.status, replan.status_reason) == (ReplanStatus.FAILED, "gave_up")


def test_what_cannot_be_solved_says_why(broken):
    replan = ask(broken, policy={"old_day": 5000})
    run = solve(replan)
    assert run.status == TaskStatus.FAILED
    assert "policy" in run.status_reason


def test_a_cancelled_run_is_stopped_and_writes_nothing(broken, run):
    mine = claim(run)
    replan_cancel(replan_id=run.replan_id, reason="mended", actor=broken.desk, now=NOW)
    assert not run_report(claim=mine, progress={}, now=NOW)
    assert not run_settle(claim=mine, outcome=Failed("late"), progress={}, now=NOW)
    assert runs_wake(now=LATER) == 0
    run.refresh_from_db()
    assert run.status == TaskStatus.CANCELLED
    assert not ReplanRow.objects.exists()


def test_a_solver_whose_run_is_lost_ends(run):
    watch = Watch(claim(run), clock=lambda: NOW, every=None)
    watch.note(Progress(Step.MENUS, 0.0))
    watch._lost.set()
    with pytest.raises(RunLost):
        watch.note(Progress(Step.GREEDY, 1.0))


@pytest.mark.django_db(transaction=True)
def test_the_watch_says_every_while_that_it_lives_and_hears_that_it_is_lost(broken, run):
    mine = claim(run)
    with Watch(mine, clock=lambda: NOW + timedelta(minutes=5), every=0.01) as watch:
        watch.note(Progress(Step.PRICES, 1.5, placed=2))
        wait_until(lambda: run_of(run).progress.get("placed") == 2)
        replan_cancel(replan_id=run.replan_id, reason="", actor=broken.desk, now=NOW)
        assert watch._lost.wait(20)


def run_of(run):
    run.refresh_from_db()
    return run


def wait_until(true):
    for _ in range(2000):
        if true():
            return
    pytest.fail("it did not happen")


def test_the_task_and_the_command_solve_what_waits(broken, capsys, monkeypatch):
    first = ask(broken)
    monkeypatch.setattr("courses.services.replans.watching.BEAT_SECONDS", None)
    tasks.solve_replan(first.runs.get().pk)
    first.refresh_from_db()
    assert first.status == ReplanStatus.PROPOSED
    second = ask(broken)
    tasks.wake_replan_runs()
    call_command("solve_replans")
    second.refresh_from_db()
    assert second.status == ReplanStatus.PROPOSED
    assert "solved 1" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("table", "steps"),
    [
        ("courses_replan", REPLAN),
        ("courses_replanrun", REPLAN_RUN),
        ("courses_replanrow", REPLAN_ROW),
    ],
)
def test_the_database_keeps_the_same_steps(table, steps):
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE tgname = %s",
            [f"{table}_status_step"],
        )
        [told] = cursor.fetchone()
    assert all(f"'{pair}'" in told for pair in pairs(steps))
    assert told.count(">") == len(pairs(steps))


def test_a_step_out_of_order_is_refused_by_the_database(broken):
    replan = ask(broken)
    with pytest.raises(DatabaseError, match="cannot go"), transaction.atomic():
        Replan.objects.filter(pk=replan.pk).update(status="applied", applied_at=NOW)
