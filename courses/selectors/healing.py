"""From when a course may be treated again: all healing windows of the skin it treats."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import QuerySet
from django.db.models.functions import JSONObject

from courses.models import Course, HealingWindow
from courses.vocabulary import SessionStatus, WindowState


@dataclass(frozen=True, slots=True)
class Earliest:
    """When the skin of a course may be treated again.

    `on` and `advised_on` are local dates, None when nothing has been treated yet. `held` lists
    the windows that a clinician must look at; `never` those that close for no date.
    """

    on: date | None
    advised_on: date | None
    held: tuple[int, ...]
    never: tuple[int, ...]

    @property
    def open_to_treatment(self) -> bool:
        """Whether a date can be said at all."""
        return not self.held and not self.never


def windows_of_course(course: Any) -> QuerySet[HealingWindow]:
    """The windows of every course that shares a tattoo with this one (a key or an OuterRef)."""
    return HealingWindow.objects.filter(course__tattoos__courses=course).exclude(
        session__status=SessionStatus.ENTERED_IN_ERROR
    )


def window_rows(course: Any) -> QuerySet[HealingWindow, Any]:
    """Those windows as JSON rows, for a subquery beside the course."""
    return windows_of_course(course).values(
        row=JSONObject(id="pk", state="state", earliest="earliest_on", advised="advised_on")
    )


def earliest_for_course(course: Course) -> Earliest:
    """From when the course may be treated again, over all windows. One query."""
    return earliest_of(found["row"] for found in window_rows(course.pk))


def earliest_of(rows: Iterable[Mapping[str, Any]]) -> Earliest:
    """The latest of several windows, given as `window_rows` gives them."""
    rows = list(rows)

    def latest(field: str) -> date | None:
        dates = [date.fromisoformat(row[field]) for row in rows if row[field]]
        return max(dates, default=None)

    def in_state(state: WindowState) -> tuple[int, ...]:
        return tuple(sorted({row["id"] for row in rows if row["state"] == state}))

    return Earliest(
        on=latest("earliest"),
        advised_on=latest("advised"),
        held=in_state(WindowState.HELD),
        never=in_state(WindowState.NEVER),
    )
