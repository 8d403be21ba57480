"""Slot search over compact occupancy: typed candidates in, ranked slots or reasons out."""

from courses.slots.answer import SLOT_BASIS, Reason, ScoreName, ScorePart, Served, Slot, SlotAnswer
from courses.slots.as_json import reason_json, slot_json
from courses.slots.candidates import (
    ClinicCandidates,
    FittedTo,
    HandpieceCandidate,
    LaserCandidate,
    LockedOut,
    OperatorCandidate,
    OperatorCredential,
    RoomCandidate,
)
from courses.slots.checks import check_ahead, check_clinics, check_wishes, policy_of
from courses.slots.grid import CELLS_PER_DAY, GRAIN, GRAIN_MINUTES, FreeRow, Grid
from courses.slots.narrowing import Read, Step, search_near_first, steps_near_first
from courses.slots.options import best_ink
from courses.slots.request import (
    ALL_WEEKDAYS,
    DEFAULT_POLICY,
    MAX_CLINICS,
    MAX_HORIZON_DAYS,
    BadRequest,
    InkNeed,
    SearchPolicy,
    SlotRank,
    SlotRequest,
    TimeWish,
)
from courses.slots.search import feasible_starts, search_slots
from courses.slots.timeline import BadTimeline, Segment, Timeline, multi_pass, role_spans

__all__ = [
    "ALL_WEEKDAYS",
    "CELLS_PER_DAY",
    "DEFAULT_POLICY",
    "GRAIN",
    "GRAIN_MINUTES",
    "MAX_CLINICS",
    "MAX_HORIZON_DAYS",
    "SLOT_BASIS",
    "BadRequest",
    "BadTimeline",
    "ClinicCandidates",
    "FittedTo",
    "FreeRow",
    "Grid",
    "HandpieceCandidate",
    "InkNeed",
    "LaserCandidate",
    "LockedOut",
    "OperatorCandidate",
    "OperatorCredential",
    "Read",
    "Reason",
    "RoomCandidate",
    "ScoreName",
    "ScorePart",
    "SearchPolicy",
    "Segment",
    "Served",
    "Slot",
    "SlotAnswer",
    "SlotRank",
    "SlotRequest",
    "Step",
    "TimeWish",
    "Timeline",
    "best_ink",
    "check_ahead",
    "check_clinics",
    "check_wishes",
    "feasible_starts",
    "multi_pass",
    "policy_of",
    "reason_json",
    "role_spans",
    "search_near_first",
    "search_slots",
    "slot_json",
    "steps_near_first",
]
