"""What the ledger of pulses refuses."""

from core.errors import Conflict, Malformed, NotFound, Refused


class PulseEntryUnknown(NotFound):
    """No such pulse entry in the caller's chain."""

    code = "pulse_entry_unknown"
    title = "No such pulse entry"


class DeviceInactive(Refused):
    """The device is not in service."""

    code = "device_inactive"
    title = "The device is not in service"


class MayNotFire(Refused):
    """The laser is locked out at that instant."""

    code = "laser_locked_out"
    title = "The laser is locked out"


class InTheFuture(Malformed):
    """What is recorded has happened; this instant is still to come."""

    code = "instant_in_the_future"
    title = "The instant lies in the future"


class PulsesNotPositive(Malformed):
    """Pulses fired are counted from one up."""

    code = "pulses_not_positive"
    title = "The number of pulses must be above zero"


class PurposeNotAllowed(Refused):
    """Treatment pulses come from a session record, corrections from the entry they correct."""

    code = "pulse_purpose_not_allowed"
    title = "Pulses for this purpose are not entered here"


class OperatorUnknown(NotFound):
    """No such active member of staff in the caller's chain."""

    code = "operator_unknown"
    title = "No such member of staff"


class NotFitted(Refused):
    """The handpiece was not fitted to the laser at that instant."""

    code = "handpiece_not_fitted"
    title = "The handpiece was not fitted to the laser at that instant"


class LineNotEmitted(Refused):
    """The laser or the handpiece does not have the line."""

    code = "line_not_emitted"
    title = "The laser or the handpiece does not have this line"


class EntryKeyReused(Conflict):
    """The ledger holds another entry under this key."""

    code = "entry_key_reused"
    title = "The ledger holds another entry under this key"


class CorrectionOfCorrection(Refused):
    """A correction is mended by another correction of the first entry."""

    code = "correction_of_correction"
    title = "A correction cannot be corrected"


class CorrectionTooLarge(Refused):
    """An entry and its corrections never add up to fewer than zero pulses."""

    code = "correction_too_large"
    title = "The corrections would take away more pulses than were entered"


class CorrectionEmpty(Malformed):
    """A correction changes the sum and says why."""

    code = "correction_empty"
    title = "A correction needs a number of pulses other than zero, and a reason"


class PulsesBeyondTime(Refused):
    """More pulses than the rate allows in the time fired."""

    code = "pulses_beyond_time"
    title = "So many pulses take longer than that"


class FiringEndsFirst(Malformed):
    """A firing is over after it began."""

    code = "firing_ends_first"
    title = "The firing ends before it starts"


class SettingIncomplete(Malformed):
    """A setting is spot, fluence and rate: all three, or none."""

    code = "setting_incomplete"
    title = "Give spot, fluence and rate together, or none of them"
