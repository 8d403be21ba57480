"""Re-plan: new slots for all displaced appointments together, as good as can be proven."""

from courses.replan.answer import (
    REPLAN_BASIS,
    Placement,
    PointName,
    PointPart,
    Progress,
    ReplanAnswer,
    Statistics,
    Status,
    Step,
    Unplaced,
)
from courses.replan.checks import MAX_DISPLACED, BadReplan
from courses.replan.effort import Effort
from courses.replan.problem import Displaced, Follows, OldSlot, ReplanPolicy, ReplanProblem
from courses.replan.solve import replan

__all__ = [
    "MAX_DISPLACED",
    "REPLAN_BASIS",
    "BadReplan",
    "Displaced",
    "Effort",
    "Follows",
    "OldSlot",
    "Placement",
    "PointName",
    "PointPart",
    "Progress",
    "ReplanAnswer",
    "ReplanPolicy",
    "ReplanProblem",
    "Statistics",
    "Status",
    "Step",
    "Unplaced",
    "replan",
]
