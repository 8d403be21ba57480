"""What the courses refuse. Each error has a stable code; `data` is JSON-ready."""

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
    """The course has an open appointment: move that one."""

    code = "course_already_booked"
    title = "The course has an open appointment already"


class SlotTaken(Conflict):
    """Somebody or something is busy by now; `alternatives` are fresh slots close by."""

    code = "slot_taken"
    title = "The slot has been taken"


class SlotUnfit(Refused):
    """The visit could never happen like this; `reasons` say which condition bound."""

    code = "slot_unfit"
    title = "Somebody or something is not fit for this visit"


class HoldExpired(Conflict):
    """The hold's time is over: search again."""

    code = "hold_expired"
    title = "The hold has expired"


class VisitNotStarted(Refused):
    """What is to be said of the visit can only be said once it has begun."""

    code = "visit_not_started"
    title = "The visit has not begun yet"


class NothingToTreat(Refused):
    """No part of the tattoo is left, or no wavelength acts on what is left."""

    code = "nothing_to_treat"
    title = "There is nothing that a laser could treat"


class SearchRefused(Malformed):
    """A slot search that cannot be made; `field` names what to mend."""

    code = "search_refused"
    title = "The search cannot be made"
