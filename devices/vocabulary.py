"""The words of lasers and their logs, as closed sets of codes."""

from enum import StrEnum


class PulsePurpose(StrEnum):
    """Why pulses were fired."""

    TREATMENT = "treatment"
    TEST_FIRE = "test_fire"
    CALIBRATION = "calibration"
    CORRECTION = "correction"


class LockOutReason(StrEnum):
    """Why a laser may not fire."""

    SERVICE_DUE = "service_due"
    SERVICE_VISIT = "service_visit"
    ENERGY_CHECK_FAILED = "energy_check_failed"
    FAULT = "fault"
    SAFETY = "safety"
    OTHER = "other"


class PartKind(StrEnum):
    """What wears out in a laser or a handpiece and is replaced; `counter`: what counts pulses."""

    FLASHLAMP = "flashlamp"
    CRYSTAL = "crystal"
    FILTER = "filter"
    WINDOW = "window"
    LENS = "lens"
    Q_SWITCH = "q_switch"
    COOLANT = "coolant"
    COUNTER = "counter"
    OTHER = "other"


class LedgerBreak(StrEnum):
    """What is wrong where a chain of the ledger breaks."""

    ENTRY_MISSING = "entry_missing"
    ENTRY_ADDED = "entry_added"
    CONTENT_CHANGED = "content_changed"
    PREVIOUS_DIFFERS = "previous_differs"
    HEAD_DIFFERS = "head_differs"
    TAIL_MISSING = "tail_missing"


class ServiceVisitStatus(StrEnum):
    """Codes of HL7 FHIR R5 Appointment.status that a service visit takes."""

    PENDING = "pending"
    BOOKED = "booked"
    FULFILLED = "fulfilled"
    CANCELLED = "cancelled"


class CalibrationState(StrEnum):
    """HL7 FHIR R5 DeviceMetricCalibrationState."""

    NOT_CALIBRATED = "not-calibrated"
    CALIBRATION_REQUIRED = "calibration-required"
    CALIBRATED = "calibrated"
    UNSPECIFIED = "unspecified"


class CalibrationType(StrEnum):
    """HL7 FHIR R5 DeviceMetricCalibrationType."""

    UNSPECIFIED = "unspecified"
    OFFSET = "offset"
    GAIN = "gain"
    TWO_POINT = "two-point"


class EnergyUnit(StrEnum):
    """Units in which energies are entered (UCUM)."""

    JOULE = "J"
    MILLIJOULE = "mJ"


class ServiceState(StrEnum):
    """How a service plan stands."""

    FAR = "far"
    NEAR = "near"
    DUE = "due"
    OVERDUE = "overdue"


class EyewearKind(StrEnum):
    """What protects eyes: a pair that anybody wears, or opaque shields on the patient's eyes."""

    PAIR = "pair"
    PATIENT_SHIELD = "patient_shield"


class EyewearState(StrEnum):
    """Whether eyewear may be worn."""

    IN_USE = "in_use"
    DAMAGED = "damaged"
    WITHDRAWN = "withdrawn"


class EyewearCheck(StrEnum):
    """What a missing fitting pair does."""

    OFF = "off"
    WARN = "warn"
    REFUSE = "refuse"


class CounterKind(StrEnum):
    """Whose pulses a counter counts."""

    LASER = "laser"
    LAMP = "lamp"
    HANDPIECE = "handpiece"


class CounterUnit(StrEnum):
    """What one step of a counter stands for."""

    PULSES = "pulses"
    THOUSAND_PULSES = "thousand_pulses"


class CounterStep(StrEnum):
    """How a counter came from one reading to the next."""

    COUNTED = "counted"
    ROLLED_OVER = "rolled_over"
    REPLACED = "replaced"


class ReadingOccasion(StrEnum):
    """When a counter was read."""

    SESSION_START = "session_start"
    SESSION_END = "session_end"
    DAILY = "daily"
    SERVICE = "service"
    OTHER = "other"


class CounterFinding(StrEnum):
    """What a counter says of the ledger, between two readings.

    `agrees`, also past the capacity (`roll_over`) or after a part record (`replacement`);
    `unlogged` pulses that the ledger lacks; `over_logged` ones that the counter never saw.
    """

    AGREES = "agrees"
    ROLL_OVER = "roll_over"
    REPLACEMENT = "replacement"
    UNLOGGED = "unlogged"
    OVER_LOGGED = "over_logged"


class DifferenceStatus(StrEnum):
    """How far somebody is with a difference."""

    OPEN = "open"
    EXPLAINED = "explained"
    CLOSED = "closed"


class DifferenceResolution(StrEnum):
    """Why a difference is closed: accepted by a person, mended by entries, or its span is gone."""

    ACCEPTED = "accepted"
    SETTLED = "settled"
    SUPERSEDED = "superseded"


class StartUpEffect(StrEnum):
    """What a start-up check that failed, or that nobody made, does to a session."""

    OFF = "off"
    WARN = "warn"
    REFUSE = "refuse"


class DutyState(StrEnum):
    """How a duty stands: `never` was nothing recorded, and it counts as overdue."""

    DONE = "done"
    SOON = "soon"
    OVERDUE = "overdue"
    NEVER = "never"
    FAILED = "failed"


class DutySubject(StrEnum):
    """What a duty is about."""

    CLINIC = "clinic"
    LASER = "laser"
    ROOM = "room"
    STAFF_MEMBER = "staff_member"
    EYEWEAR = "eyewear"
    INCIDENT = "incident"


class IncidentStatus(StrEnum):
    """HL7 FHIR R5 AdverseEvent.status, without `unknown`."""

    IN_PROGRESS = "in-progress"
    COMPLETED = "completed"
    ENTERED_IN_ERROR = "entered-in-error"


class IncidentActuality(StrEnum):
    """HL7 FHIR R5 AdverseEvent.actuality: it happened, or nearly did."""

    ACTUAL = "actual"
    POTENTIAL = "potential"


class ClockStatus(StrEnum):
    """Codes of HL7 FHIR R5 Task.status that a clock of an incident takes."""

    REQUESTED = "requested"
    COMPLETED = "completed"
    CANCELLED = "cancelled"


class UsageGroup(StrEnum):
    """By what a report of usage is split; days, weeks and months are the clinic's own."""

    CLINIC = "clinic"
    LASER = "laser"
    HANDPIECE = "handpiece"
    LINE = "line"
    OPERATOR = "operator"
    PURPOSE = "purpose"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"


class ReportFormat(StrEnum):
    """The form of a report."""

    JSON = "json"
    CSV = "csv"
