"""Reminders by default: three days and one day before, as a published trial had them.

Steiner 2018, Am J Manag Care 24:377, PMID 30130032: 54 066 appointments, randomised; missed
after a reminder three days before 5.8 %, one day before 5.3 %, after both 4.4 %. A documented
default, no claim about what it does anywhere else.
"""

from courses.timing.cadence import DEFAULT
from courses.vocabulary import RecallKind


def test_the_default_reminds_three_days_and_one_day_before():
    assert [step.days for step in DEFAULT.of(RecallKind.REMINDER)] == [-3, -1]


def test_the_default_invites_before_at_and_after_the_closing_day():
    """Common practice: two weeks ahead, on the day, two and six weeks on, then a call."""
    steps = DEFAULT.of(RecallKind.INVITATION)
    assert [step.days for step in steps] == [-14, 0, 14, 42, 56]
    assert steps[-1].channels == ("phone",)
