"""What the organisation of clinics refuses. Each error has a stable code."""

from core.errors import Conflict, Forbidden, Malformed, NotFound, Refused


class NotAllowed(Forbidden):
    """The caller's roles do not allow this action here."""

    code = "not_allowed"
    title = "Your roles do not allow this here"


class ClinicUnknown(NotFound):
    """No such clinic in the caller's chain."""

    code = "clinic_unknown"
    title = "No such clinic"


class ResourceTaken(Conflict):
    """Something is already busy in that period."""

    code = "resource_taken"
    title = "Already busy in that period"


class ZoneUnknown(Malformed):
    """Not an IANA time zone."""

    code = "time_zone_unknown"
    title = "Unknown time zone"


class MembershipBeyondChain(Refused):
    """A role cannot be given at a clinic of another chain."""

    code = "membership_beyond_chain"
    title = "The clinic belongs to another chain"
