"""What the records of patients, courses and sessions refuse."""

from core.errors import Conflict, NotFound, Refused


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


class ContactPointTaken(Conflict):
    """The patient has this contact point already."""

    code = "contact_point_taken"
    title = "The patient has this contact point already"


class ContactPointNotOff(Refused):
    """Only an address that bounced or was refused is turned on again."""

    code = "contact_point_not_off"
    title = "The contact point is not off"


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
