"""What booking refuses: appointments, holds, series."""

from collections.abc import Callable, Sequence
from typing import Any

from core.errors import Conflict, Malformed, NotFound, Refused


class CourseUnknown(NotFound):
    """No such course in the caller's chain."""

    code = "course_unknown"
    title = "No such course"


class AppointmentUnknown(NotFound):
    """No such appointment in the caller's chain."""

    code = "appointment_unknown"
    title = "No such appointment"


class PlaceUnknown(Malformed):
    """A room, operator, laser or handpiece that is not of this chain; `field` names it."""

    code = "place_unknown"
    title = "Something the visit needs is not known here"


class StatusStepRefused(Refused):
    """The status may not follow the present one."""

    code = "status_step_refused"
    title = "That status cannot follow the present one"


class CourseNotRunning(Refused):
    """Only an active course is booked and treated."""

    code = "course_not_running"
    title = "The course is not active"


class CourseAlreadyBooked(Conflict):
    """The course has an open appointment too close to this one: move that one.

    `appointment` names it; `earliest_at`: from when the skin could be treated again after the
    earlier of the two.
    """

    code = "course_already_booked"
    title = "The course has an open appointment too close to this one"


class SlotTaken(Conflict):
    """Somebody or something is busy by now; `alternatives` are fresh slots close by."""

    code = "slot_taken"
    title = "The slot has been taken"

    def __init__(self, *, alternatives: Callable[[], Sequence[Any]]) -> None:
        self._alternatives = alternatives
        super().__init__()

    @property
    def data(self) -> dict[str, Any]:
        """The alternatives, found when the answer is written: the failed transaction is over."""
        try:
            return {"alternatives": list(self._alternatives())}
        except Refused:
            # Meanwhile there may be nothing left to treat: then there is no other slot either.
            return {"alternatives": []}

    @data.setter
    def data(self, value: dict[str, Any]) -> None:
        """What the base class sets is replaced by what is found."""


class SlotUnfit(Refused):
    """The visit could never happen like this; `reasons` say which condition bound."""

    code = "slot_unfit"
    title = "Somebody or something is not fit for this visit"


class HoldExpired(Conflict):
    """The hold's time is over: search again."""

    code = "hold_expired"
    title = "The hold has expired"


class HoldQuotaReached(Conflict):
    """The caller keeps as many slots held as the chain allows; `next_expires_at` frees one."""

    code = "hold_quota_reached"
    title = "You hold as many slots as you may"


class SeriesIncomplete(Conflict):
    """No slot was found for one session of the series (`number`), so none was booked.

    `bounds` say which conditions bound.
    """

    code = "series_incomplete"
    title = "Not all sessions of the series can be booked"


class SeriesUnknown(NotFound):
    """No such series in the caller's chain."""

    code = "appointment_series_unknown"
    title = "No such series of appointments"


class VisitAnotherDay(Refused):
    """A patient arrives on the day of the visit, in the clinic's zone, or after."""

    code = "visit_another_day"
    title = "The visit is on a later day"


class VisitNotStarted(Refused):
    """What is to be said of the visit can only be said once it has begun."""

    code = "visit_not_started"
    title = "The visit has not begun yet"


class NothingToTreat(Refused):
    """No part of the tattoo is left, or no wavelength acts on what is left."""

    code = "nothing_to_treat"
    title = "There is nothing that a laser could treat"


class UnalignedStart(Malformed):
    """A visit starts on a 5-minute mark."""

    code = "start_not_on_grid"
    title = "A visit starts on a 5-minute mark"
