"""What a run proposes for the visits that an outage hits."""

import pytest

from courses.vocabulary import ReplanRowStatus, ReplanStatus, TaskStatus
from tests.support.replans import ask, rows_of, solve

pytestmark = pytest.mark.django_db


def test_every_visit_that_is_hit_gets_a_new_slot_and_the_old_one_is_kept_beside_it(broken):
    replan = ask(broken)
    assert (replan.status, replan.hits) == (ReplanStatus.PLANNING, 3)
    run = solve(replan)
    assert (run.status, replan.status) == (TaskStatus.COMPLETED, ReplanStatus.PROPOSED)
    rows = rows_of(run)
    assert [row.status for row in rows] == [ReplanRowStatus.PLACED] * 3
    assert [row.appointment_id for row in rows] == [one.pk for one in broken.appointments]
    assert all(row.new["start"] != row.old["start"] for row in rows)
    assert run.answer["status"] == "optimal"
    assert run.answer["gap"] == 0
