"""Where in a course each patient stands today, and how that is brought about."""

from dataclasses import dataclass
from enum import StrEnum


class Stage(StrEnum):
    """How a course stands when the demonstration begins."""

    DRAFT = "draft"
    ASSESSED = "assessed"
    FIRST_BOOKED = "first_booked"
    HEALING = "healing"
    HEALING_BOOKED = "healing_booked"
    DUE_BOOKED = "due_booked"
    DUE = "due"
    CLOSING = "closing"
    HELD = "held"
    PAUSED = "paused"
    COMPLETED = "completed"
    REVOKED = "revoked"
    LOST = "lost"
    BARRED = "barred"


@dataclass(frozen=True, slots=True)
class Script:
    """How many sessions lie behind (from-to), and how many days ago the last one was.

    `after_closing` counts the days from the day on which its window closed instead. `books`: the
    next visit is booked.
    """

    of_300: int
    sessions: tuple[int, int] = (0, 0)
    days_ago: tuple[int, int] = (0, 0)
    after_closing: bool = False
    books: bool = False


SCRIPTS: dict[Stage, Script] = {
    Stage.DRAFT: Script(15),
    Stage.ASSESSED: Script(9),
    Stage.FIRST_BOOKED: Script(20, books=True),
    Stage.HEALING: Script(32, (1, 6), (2, 38)),
    Stage.HEALING_BOOKED: Script(98, (1, 6), (4, 40), books=True),
    Stage.DUE_BOOKED: Script(30, (1, 5), (1, 20), after_closing=True, books=True),
    Stage.DUE: Script(19, (1, 5), (4, 60), after_closing=True),
    Stage.CLOSING: Script(14, (1, 5), (1, 3), after_closing=True),
    Stage.HELD: Script(9, (1, 4), (32, 44)),
    Stage.PAUSED: Script(6, (1, 4), (20, 90)),
    Stage.COMPLETED: Script(22, (4, 6), (60, 110)),
    Stage.REVOKED: Script(12, (1, 4), (50, 180)),
    Stage.LOST: Script(12, (1, 4), (150, 240)),
    Stage.BARRED: Script(2, (1, 1), (70, 120)),
}


def stages_for(patients: int) -> list[Stage]:
    """A stage for each patient, every stage at least once where there are patients enough."""
    counts = {
        stage: max(1, round(script.of_300 * patients / 300)) for stage, script in SCRIPTS.items()
    }
    listed = [stage for stage, count in counts.items() for _ in range(count)]
    short = patients - len(listed)
    if short >= 0:
        return listed + [Stage.HEALING_BOOKED] * short
    usual = (Stage.HEALING_BOOKED, Stage.HEALING, Stage.DUE_BOOKED, Stage.DUE)
    for stage in usual:
        while short < 0 and listed.count(stage) > 1:
            listed.remove(stage)
            short += 1
    return listed[:patients]
