"""The healing window of a treatment: facts in, a date or a hold with every rule's reason out.

A pure package: no Django, no clock, no database.
"""

from courses.healing.explain import (
    explain,
    facts_json,
    held_in,
    outcomes_json,
    set_aside_in,
    shortening_from_json,
    shortening_json,
    summary,
)
from courses.healing.facts import Facts, Observation, Release, Shortening
from courses.healing.intervals import Spacing, spacing_of
from courses.healing.policy import Parameter, Policy, Stricter
from courses.healing.reactions import TIME_COURSES, Flag, TimeCourse, time_course
from courses.healing.registry import (
    REGISTRY,
    REGISTRY_VERSION,
    RULES,
    check_policy,
    policy_of,
)
from courses.healing.rules import Effect, HoldUntil, Rule
from courses.healing.window import (
    DEFAULT_POLICY,
    Hold,
    Outcome,
    Standing,
    Window,
    compute_window,
    shorten,
)
from courses.healing.zones import earliest_instant, local_date

__all__ = [
    "DEFAULT_POLICY",
    "REGISTRY",
    "REGISTRY_VERSION",
    "RULES",
    "TIME_COURSES",
    "Effect",
    "Facts",
    "Flag",
    "Hold",
    "HoldUntil",
    "Observation",
    "Outcome",
    "Parameter",
    "Policy",
    "Release",
    "Rule",
    "Shortening",
    "Spacing",
    "Standing",
    "Stricter",
    "TimeCourse",
    "Window",
    "check_policy",
    "compute_window",
    "earliest_instant",
    "explain",
    "facts_json",
    "held_in",
    "local_date",
    "outcomes_json",
    "policy_of",
    "set_aside_in",
    "shorten",
    "shortening_from_json",
    "shortening_json",
    "spacing_of",
    "summary",
    "time_course",
]
