"""What duties, officers and incidents refuse."""

from core.errors import Conflict, Malformed, NotFound, Refused


class DutyRulesMalformed(Malformed):
    """A list of duties that cannot be; `errors` name the entry."""

    code = "duty_rules_malformed"
    title = "A list of duties cannot be so"


class StartUpMalformed(Malformed):
    """A start-up check answers each thing on the chain's list, once; `errors` name the rest."""

    code = "start_up_check_malformed"
    title = "A start-up check answers everything on the list"


class StartUpNotToday(Malformed):
    """A start-up check is made on the day that it is for."""

    code = "start_up_check_not_that_day"
    title = "A start-up check is made on its own day"


class DutyUnknown(Malformed):
    """The chain has no such periodic duty."""

    code = "duty_unknown"
    title = "The chain has no such duty"


class DutyRecordUnknown(NotFound):
    """No such record of a duty in the caller's chain."""

    code = "duty_record_unknown"
    title = "No such record of a duty"


class DutyRecordWithdrawn(Conflict):
    """The record was withdrawn, or is itself a withdrawal."""

    code = "duty_record_withdrawn"
    title = "The record does not count any more"


class OfficerUnknown(NotFound):
    """No such appointment of an officer in the caller's chain."""

    code = "officer_appointment_unknown"
    title = "No such appointment of an officer"


class OfficerThere(Conflict):
    """The clinic has a laser safety officer in that time, or this person is one there."""

    code = "officer_appointment_overlaps"
    title = "The clinic has an officer in that time"


class OfficerUntrained(Refused):
    """Whoever becomes laser safety officer holds a credential for it on the first day."""

    code = "officer_untrained"
    title = "An officer needs a credential for it"


class OfficerPeriodMalformed(Malformed):
    """An appointment ends after it began."""

    code = "officer_period_malformed"
    title = "The appointment ends before it begins"


class IncidentUnknown(NotFound):
    """No such incident in the caller's chain."""

    code = "incident_unknown"
    title = "No such incident"


class IncidentClockUnknown(NotFound):
    """The incident has no such clock."""

    code = "incident_clock_unknown"
    title = "The incident has no such clock"


class IncidentMalformed(Malformed):
    """An incident is known after it occurred, with a laser and a room of its clinic."""

    code = "incident_malformed"
    title = "What is said of the incident cannot be"


class IncidentClosed(Conflict):
    """The incident was closed."""

    code = "incident_closed"
    title = "The incident was closed"


class ClockSettled(Conflict):
    """The clock was met or cancelled before."""

    code = "incident_clock_settled"
    title = "The clock was settled before"


class ClockRunning(Refused):
    """An incident is closed once each of its clocks was met or cancelled; `clocks` names them."""

    code = "incident_clock_running"
    title = "Clocks of the incident are still running"


class ClockAhead(Refused):
    """The clock follows another one, which is still running."""

    code = "incident_clock_ahead"
    title = "The clock before this one is still running"
