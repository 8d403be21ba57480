"""What the erasure of a patient refuses, and what is refused afterwards."""

from core.errors import Conflict, NotFound, Refused


class PatientErased(Conflict):
    """The personal data of the patient were erased: nothing is added to the record."""

    code = "patient_erased"
    title = "The patient's personal data were erased"


class ErasureUnknown(NotFound):
    """No erasure of this patient was asked for."""

    code = "erasure_unknown"
    title = "No erasure of this patient was asked for"


class CoursesOpen(Conflict):
    """A course of the patient has not ended: end it first."""

    code = "erasure_courses_open"
    title = "A course of the patient has not ended"


class VisitsOpen(Conflict):
    """A visit of the patient is booked or under way: cancel or finish it first."""

    code = "erasure_visits_open"
    title = "A visit of the patient is booked or under way"


class StillRetained(Refused):
    """The time for which records are kept is not over, and nobody said that law allows it."""

    code = "erasure_still_retained"
    title = "The record is still to be kept"
