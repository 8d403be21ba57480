"""What the courses refuse. Each error has a stable code; `data` is JSON-ready."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from core.errors import Conflict, Malformed, NotFound, Refused
from courses.science.errors import InvalidInput
from devices.metrology import InvalidQuantity


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
        return {"alternatives": list(self._alternatives())}

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


class EntryUnknown(NotFound):
    """No such entry on the waiting list of the caller's chain."""

    code = "waiting_list_entry_unknown"
    title = "No such entry on the waiting list"


class AlreadyWaiting(Conflict):
    """The course is on the waiting list."""

    code = "already_waiting"
    title = "The course is on the waiting list already"


class EntryHasOffer(Conflict):
    """A slot is held for this entry: decline or accept the offer first."""

    code = "waiting_list_entry_has_offer"
    title = "A slot is being offered to this patient"


class GapUnknown(NotFound):
    """No such gap in the caller's chain."""

    code = "gap_unknown"
    title = "No such gap"


class GapOfferUnknown(NotFound):
    """No such offer in the caller's chain."""

    code = "gap_offer_unknown"
    title = "No such offer"


class GapOver(Refused):
    """Nobody can come in time that has passed."""

    code = "gap_over"
    title = "That time is over"


class GapFitsNobody(Conflict):
    """Of those who wait nobody fits; `waiting` says how many wait for this clinic."""

    code = "gap_fits_nobody"
    title = "Nobody on the waiting list fits"


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


class PatientUnknown(NotFound):
    """No such patient in the caller's chain."""

    code = "patient_unknown"
    title = "No such patient"


class ContactPointUnknown(NotFound):
    """No such contact point in the caller's chain."""

    code = "contact_point_unknown"
    title = "No such contact point"


class TattooUnknown(NotFound):
    """No such tattoo in the caller's chain."""

    code = "tattoo_unknown"
    title = "No such tattoo"


class PartUnknown(NotFound):
    """No such part of a tattoo in the caller's chain."""

    code = "tattoo_part_unknown"
    title = "No such part of a tattoo"


class GradeUnknown(NotFound):
    """No such clearance grade in the caller's chain."""

    code = "clearance_grade_unknown"
    title = "No such clearance grade"


class SessionUnknown(NotFound):
    """No such session in the caller's chain."""

    code = "session_unknown"
    title = "No such session"


class ObservationUnknown(NotFound):
    """No such observation in the caller's chain."""

    code = "observation_unknown"
    title = "No such observation"


class WindowUnknown(NotFound):
    """No such healing window in the caller's chain."""

    code = "healing_window_unknown"
    title = "No such healing window"


class FieldsMalformed(Malformed):
    """Fields that cannot be so; `errors` names each with a JSON Pointer."""

    code = "invalid"
    title = "Some fields are wrong"


class InputRefused(Refused):
    """An input breaks a rule; `errors` names the field, and the rule as its code."""

    code = "input_refused"
    title = "An input breaks a rule"


class ContactPointTaken(Conflict):
    """The patient has this contact point already."""

    code = "contact_point_taken"
    title = "The patient has this contact point already"


class PartsInUse(Conflict):
    """Grades or passes stand on the parts: they describe what was there."""

    code = "tattoo_parts_in_use"
    title = "Grades or passes stand on these parts"


class TattooInRunningCourse(Conflict):
    """A tattoo stands in one running course at a time; `tattoos` and `courses` say which."""

    code = "tattoo_in_running_course"
    title = "A tattoo stands in another running course"


class ConsentMissing(Refused):
    """A course runs only with the patient's consent to treatment."""

    code = "consent_missing"
    title = "Consent to treatment is missing"


class NeverTreat(Refused):
    """A rule says that this patient's skin may never be treated."""

    code = "never_treat"
    title = "This skin may never be treated with short laser pulses"


class GoalNotReached(Refused):
    """Parts are left that are not marked as cleared; `parts` names them."""

    code = "goal_not_reached"
    title = "The goal is not reached"


class CourseHasAppointments(Conflict):
    """Open appointments stand in the way; `appointments` names them."""

    code = "course_has_appointments"
    title = "The course has open appointments: cancel them first"


class CourseHasSessions(Conflict):
    """Sessions were recorded in the course: it happened."""

    code = "course_has_sessions"
    title = "Sessions were recorded in this course"


class CourseFrozen(Conflict):
    """The plan of a course that has begun or ended is not rewritten."""

    code = "course_frozen"
    title = "The course cannot be changed any more"


class SessionRefused(Refused):
    """Pre-checks failed; `checks` lists each with its numbers.

    `overridable`: whether the reason of a treating clinician would do.
    """

    code = "session_refused"
    title = "The session cannot be recorded like this"


class AlreadyRecorded(Conflict):
    """The appointment has a session already."""

    code = "session_already_recorded"
    title = "The appointment has a session already"


class InError(Conflict):
    """The record is marked as entered in error and stays as it is."""

    code = "entered_in_error"
    title = "The record is marked as entered in error"


class NothingHeld(Refused):
    """No hold of that kind is on the window."""

    code = "nothing_held"
    title = "The window has no such hold"


class GradeTaken(Conflict):
    """The part was graded on that day already."""

    code = "clearance_grade_taken"
    title = "The part was graded on that day already"


class RecallUnknown(NotFound):
    """No such recall in the caller's chain."""

    code = "recall_unknown"
    title = "No such recall"


class MessageUnknown(NotFound):
    """No such message in the caller's chain."""

    code = "message_unknown"
    title = "No such message"


class CallNotOpen(Refused):
    """Only a call that waits for the front desk has an outcome to record."""

    code = "call_not_open"
    title = "This is no call that waits to be made"


class PrecautionsStand(Refused):
    """A precaution speaks against treating this patient; `findings` lists each with its basis."""

    code = "precautions_stand"
    title = "A precaution speaks against the treatment"


class NothingToClear(Refused):
    """No such precaution stands that a clinician may clear."""

    code = "nothing_to_clear"
    title = "There is no such precaution to clear"


class CalibrationUnknown(NotFound):
    """No such calibration run in the caller's chain."""

    code = "calibration_unknown"
    title = "No such calibration run"


class NothingProposed(Refused):
    """The run proposes nothing that could be accepted."""

    code = "nothing_proposed"
    title = "The calibration run proposes nothing"


def field_malformed(pointer: str, *, code: str, detail: str) -> FieldsMalformed:
    """One wrong field as a refusal; `pointer` is a JSON Pointer such as `/passes/0/line`."""
    return FieldsMalformed(detail, errors=[{"pointer": pointer, "code": code, "detail": detail}])


@contextmanager
def input_refused(names: Mapping[str, str] | None = None) -> Iterator[None]:
    """Turn what a pure package refuses into InputRefused.

    `names` gives the API's pointer where it differs from the package's field name.
    """
    try:
        yield
    except (InvalidInput, InvalidQuantity) as error:
        pointer = (names or {}).get(error.field) or pointer_of(error.field)
        raise InputRefused(
            error.message,
            errors=[{"pointer": pointer, "code": error.rule, "detail": error.message}],
        ) from error


def pointer_of(field: str) -> str:
    """A dotted field name as a JSON Pointer: `parts[0].share` is `/parts/0/share`."""
    return "/" + re.sub(r"\[(\d+)\]", r".\1", field).replace(".", "/")
