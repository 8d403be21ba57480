"""The words of a course of treatment, as closed sets of codes. No Django here.

Statuses are HL7 FHIR R5 code sets (hl7.org/fhir); the trade's own words stand beside them.
"""

from enum import IntEnum, StrEnum


class SkinType(IntEnum):
    """Fitzpatrick skin type, I to VI."""

    I = 1  # noqa: E741
    II = 2
    III = 3
    IV = 4
    V = 5
    VI = 6


class BodySite(StrEnum):
    """Where a tattoo is. The five regions of the six-parameter scale follow from it."""

    HEAD = "head"
    NECK = "neck"
    UPPER_TRUNK = "upper_trunk"
    LOWER_TRUNK = "lower_trunk"
    UPPER_ARM = "upper_arm"
    THIGH = "thigh"
    FOREARM = "forearm"
    HAND = "hand"
    LOWER_LEG = "lower_leg"
    FOOT = "foot"


class InkColour(StrEnum):
    """Colour groups that absorb alike."""

    BLACK = "black"
    BLUE_BLACK = "blue_black"
    DARK_BLUE = "dark_blue"
    BLUE = "blue"
    TURQUOISE = "turquoise"
    GREEN = "green"
    PURPLE = "purple"
    RED = "red"
    ORANGE = "orange"
    YELLOW = "yellow"
    BROWN = "brown"
    WHITE = "white"
    FLESH = "flesh"
    PINK = "pink"
    FLUORESCENT = "fluorescent"


class Technique(StrEnum):
    """How a part was tattooed; thin and shaded areas clear before thick outlines."""

    OUTLINE = "outline"
    SOLID_FILL = "solid_fill"
    SHADING = "shading"


class InkAmount(StrEnum):
    """Amount of ink, by the levels of the six-parameter scale."""

    AMATEUR = "amateur"
    MINIMAL = "minimal"
    MODERATE = "moderate"
    SIGNIFICANT = "significant"


class Scarring(StrEnum):
    """Scarring or tissue change, by the levels of the six-parameter scale."""

    NONE = "none"
    MINIMAL = "minimal"
    MODERATE = "moderate"
    SIGNIFICANT = "significant"


class CourseGoal(StrEnum):
    """What a course is for: to clear, or to lighten to a target (before a cover-up)."""

    CLEAR = "clear"
    LIGHTEN = "lighten"


class CourseStatus(StrEnum):
    """HL7 FHIR R5 CarePlan.status, the codes a course uses."""

    DRAFT = "draft"
    ACTIVE = "active"
    ON_HOLD = "on-hold"
    REVOKED = "revoked"
    COMPLETED = "completed"
    ENTERED_IN_ERROR = "entered-in-error"


class CourseEnd(StrEnum):
    """Why a course ended."""

    GOAL_REACHED = "goal_reached"
    PATIENT_STOPPED = "patient_stopped"
    CLINICIAN_STOPPED = "clinician_stopped"
    LOST_TO_FOLLOW_UP = "lost_to_follow_up"
    MOVED_AWAY = "moved_away"
    DIED = "died"
    ENTERED_IN_ERROR = "entered_in_error"


class SessionStatus(StrEnum):
    """HL7 FHIR R5 Procedure.status, the codes a session uses."""

    PREPARATION = "preparation"
    IN_PROGRESS = "in-progress"
    NOT_DONE = "not-done"
    STOPPED = "stopped"
    COMPLETED = "completed"
    ENTERED_IN_ERROR = "entered-in-error"


class AppointmentStatus(StrEnum):
    """HL7 FHIR R5 Appointment.status."""

    PROPOSED = "proposed"
    PENDING = "pending"
    BOOKED = "booked"
    ARRIVED = "arrived"
    FULFILLED = "fulfilled"
    CANCELLED = "cancelled"
    NOSHOW = "noshow"
    ENTERED_IN_ERROR = "entered-in-error"
    CHECKED_IN = "checked-in"
    WAITLIST = "waitlist"


class WaitingStatus(StrEnum):
    """HL7 FHIR R5 Appointment.status, the codes an entry of the waiting list uses."""

    WAITLIST = "waitlist"
    BOOKED = "booked"
    CANCELLED = "cancelled"


class GapStatus(StrEnum):
    """What became of a gap: still offered, filled, nobody left to ask, or given up."""

    OFFERING = "offering"
    FILLED = "filled"
    EXHAUSTED = "exhausted"
    WITHDRAWN = "withdrawn"


class OfferStatus(StrEnum):
    """One patient's turn at a gap. `passed_over`: it did not fit any more when the turn came."""

    QUEUED = "queued"
    OFFERED = "offered"
    ACCEPTED = "accepted"
    DECLINED = "declined"
    EXPIRED = "expired"
    PASSED_OVER = "passed_over"
    WITHDRAWN = "withdrawn"


class OutageKind(StrEnum):
    """What is not to be had for a time, so that visits must go elsewhere."""

    LASER = "laser"
    OPERATOR = "operator"
    ROOM = "room"
    HANDPIECE = "handpiece"
    CLINIC = "clinic"


class TaskStatus(StrEnum):
    """HL7 FHIR R5 Task.status, the codes a run of a re-plan uses."""

    REQUESTED = "requested"
    IN_PROGRESS = "in-progress"
    COMPLETED = "completed"
    FAILED = "failed"
    CANCELLED = "cancelled"


class ReplanStatus(StrEnum):
    """What became of a re-plan: being solved, a proposal to look at, applied, or given up."""

    PLANNING = "planning"
    PROPOSED = "proposed"
    APPLIED = "applied"
    FAILED = "failed"
    CANCELLED = "cancelled"


class ReplanRowStatus(StrEnum):
    """What a re-plan has for an appointment, and what was done: `waiting` is cancelled to wait."""

    PLACED = "placed"
    UNPLACED = "unplaced"
    MOVED = "moved"
    CANCELLED = "cancelled"
    WAITING = "waiting"


class UnplacedChoice(StrEnum):
    """What to do with an appointment that a re-plan has no slot for."""

    CANCEL = "cancel"
    WAITING_LIST = "waiting_list"


class WindowState(StrEnum):
    """State of a healing window.

    Open (still healing), held (a clinician must look), closed, or never (not treated again).
    """

    OPEN = "open"
    HELD = "held"
    CLOSED = "closed"
    NEVER = "never"


class DecisionKind(StrEnum):
    """What a clinician decided of a window: to release a hold, or to shorten this one case."""

    RELEASE = "release"
    SHORTEN = "shorten"


class PrecautionDecisionKind(StrEnum):
    """What a clinician decided of a precaution: to clear it, or to take the clearance back."""

    CLEAR = "clear"
    WITHDRAW = "withdraw"


class CalibrationStatus(StrEnum):
    """What became of a calibration run: the accepted one is the chain's prior."""

    PROPOSED = "proposed"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"
    INCONCLUSIVE = "inconclusive"


class CalibrationDecisionKind(StrEnum):
    """What a clinician decided of a calibration run."""

    ACCEPT = "accept"
    REFUSE = "refuse"
    WITHDRAW = "withdraw"


class SkinResponse(StrEnum):
    """What the skin does during or right after a pass."""

    WHITENING = "whitening"
    FAINT_HAZE = "faint_haze"
    NO_CHANGE = "no_change"
    ERYTHEMA = "erythema"
    OEDEMA = "oedema"
    PINPOINT_BLEEDING = "pinpoint_bleeding"
    PURPURA = "purpura"
    BLISTER = "blister"
    TORN_EPIDERMIS = "torn_epidermis"
    DARKENING = "darkening"
    WHEAL = "wheal"


class ObservationKind(StrEnum):
    """What the skin shows later."""

    RAISED = "raised"
    FLAT = "flat"
    ERYTHEMA = "erythema"
    SWELLING = "swelling"
    BLISTER = "blister"
    CRUST = "crust"
    EROSION = "erosion"
    HYPERPIGMENTATION = "hyperpigmentation"
    PIGMENT_LOSS = "pigment_loss"
    TEXTURE_CHANGE = "texture_change"
    INFECTION_SIGN = "infection_sign"
    SCAR = "scar"
    ALLERGY = "allergy"
    DARKENING = "darkening"
    TORN_EPIDERMIS = "torn_epidermis"
    SUNBURN = "sunburn"
    TAN = "tan"


class ObservationStatus(StrEnum):
    """HL7 FHIR R5 Observation.status, the codes an observation uses."""

    FINAL = "final"
    AMENDED = "amended"
    ENTERED_IN_ERROR = "entered-in-error"


class Severity(StrEnum):
    """How marked a finding is."""

    MILD = "mild"
    MODERATE = "moderate"
    SEVERE = "severe"


class Channel(StrEnum):
    """How a patient can be reached."""

    EMAIL = "email"
    SMS = "sms"
    PHONE = "phone"


class RecallKind(StrEnum):
    """What a recall says.

    To book (skin ready, nothing booked), to keep what is booked, that what was booked is at
    another time or place, or to ask how it goes after a session.
    """

    INVITATION = "invitation"
    REMINDER = "reminder"
    CHANGE = "change"
    AFTERCARE = "aftercare"


class RequestStatus(StrEnum):
    """HL7 FHIR R5 CommunicationRequest.status, the codes a recall uses."""

    DRAFT = "draft"
    ACTIVE = "active"
    ON_HOLD = "on-hold"
    REVOKED = "revoked"
    COMPLETED = "completed"
    ENTERED_IN_ERROR = "entered-in-error"


class MessageStatus(StrEnum):
    """HL7 FHIR R5 Communication.status (event-status)."""

    PREPARATION = "preparation"
    IN_PROGRESS = "in-progress"
    NOT_DONE = "not-done"
    ON_HOLD = "on-hold"
    STOPPED = "stopped"
    COMPLETED = "completed"
    ENTERED_IN_ERROR = "entered-in-error"


class RecallReason(StrEnum):
    """Why a recall or a message went no further, or waits. People's own reasons are free text."""

    BOOKED = "booked"
    SLOT_HELD = "slot_held"
    COURSE_NOT_RUNNING = "course_not_running"
    DECEASED = "deceased"
    SKIN_NOT_READY = "skin_not_ready"
    SUPERSEDED = "superseded"
    APPOINTMENT_ENDED = "appointment_ended"
    APPOINTMENT_MOVED = "appointment_moved"
    TOO_LATE = "too_late"
    WITHDRAWN = "withdrawn"
    NO_CONTACT_POINT = "no_contact_point"
    UNREACHABLE = "unreachable"
    NO_CONSENT = "no_consent"
    OPTED_OUT = "opted_out"
    CHANNEL_CLOSED = "channel_closed"
    QUIET_HOURS = "quiet_hours"
    CLOSED_DAY = "closed_day"
    TO_CALL = "to_call"
    NOT_REACHED = "not_reached"
    GAVE_UP = "gave_up"
    OUTCOME_UNKNOWN = "outcome_unknown"
    POLICY_CHANGED = "policy_changed"
    CONTACT_OFF = "contact_off"
    ASKED_FOR_LATER = "asked_for_later"
    PLAN_FAILS = "plan_fails"
    NOT_DUE = "not_due"
    PLAN_UNDER_WAY = "plan_under_way"
    TEXT_INCOMPLETE = "text_incomplete"
    TEXT_TOO_LONG = "text_too_long"


class TreatmentRole(StrEnum):
    """What a segment of a session keeps busy."""

    ROOM = "room"
    OPERATOR = "operator"
    LASER = "laser"
    HANDPIECE = "handpiece"
    PATIENT = "patient"
