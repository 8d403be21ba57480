"""What the world of lasers refuses. Each error has a stable code."""

from core.errors import Conflict, Malformed, NotFound, Refused


class LaserModelUnknown(NotFound):
    """No such laser model in the caller's chain."""

    code = "laser_model_unknown"
    title = "No such laser model"


class LineUnknown(NotFound):
    """No such emission line in the caller's chain."""

    code = "emission_line_unknown"
    title = "No such emission line"


class LaserUnknown(NotFound):
    """No such laser in the caller's chain."""

    code = "laser_unknown"
    title = "No such laser"


class HandpieceUnknown(NotFound):
    """No such handpiece in the caller's chain."""

    code = "handpiece_unknown"
    title = "No such handpiece"


class FittingUnknown(NotFound):
    """No such fitting in the caller's chain."""

    code = "fitting_unknown"
    title = "No such fitting"


class LockOutUnknown(NotFound):
    """No such lock-out in the caller's chain."""

    code = "lock_out_unknown"
    title = "No such lock-out"


class CredentialUnknown(NotFound):
    """No such credential in the caller's chain."""

    code = "credential_unknown"
    title = "No such credential"


class PulseEntryUnknown(NotFound):
    """No such pulse entry in the caller's chain."""

    code = "pulse_entry_unknown"
    title = "No such pulse entry"


class NameTaken(Conflict):
    """The chain has a laser model of this name."""

    code = "laser_model_name_taken"
    title = "A laser model of this name exists"


class LineTaken(Conflict):
    """The laser model has this line already."""

    code = "emission_line_taken"
    title = "The laser model has a line of this wavelength and pulse duration"


class SerialTaken(Conflict):
    """The serial number is taken."""

    code = "serial_taken"
    title = "A device of this serial number exists"


class InUse(Conflict):
    """Other records stand on this one, so that it cannot go or change its nature."""

    code = "device_in_use"
    title = "Other records stand on this one"


class AuthorisationTaken(Conflict):
    """The credential names this laser model already."""

    code = "laser_authorisation_taken"
    title = "The credential names this laser model already"


class LinesMalformed(Malformed):
    """The lines or spots of an emission line or handpiece do not fit together."""

    code = "lines_malformed"
    title = "The lines or spot sizes do not fit together"


class SpotNotListed(Refused):
    """The spot is none of those that the line can be set to."""

    code = "spot_not_listed"
    title = "The line has no such spot size"


class BeyondLine(Refused):
    """More than the emission line can deliver."""

    code = "beyond_emission_line"
    title = "More than the emission line can deliver"


class RoomElsewhere(Refused):
    """The room is not one of the clinic."""

    code = "room_elsewhere"
    title = "The room belongs to another clinic"


class DeviceInactive(Refused):
    """The device is not in service."""

    code = "device_inactive"
    title = "The device is not in service"


class LaserLockedOut(Conflict):
    """Another lock-out of the laser overlaps this one."""

    code = "lock_out_overlaps"
    title = "The laser is locked out in that period already"


class MayNotFire(Refused):
    """The laser is locked out at that instant."""

    code = "laser_locked_out"
    title = "The laser is locked out"


class LockOutInThePast(Refused):
    """A lock-out is placed from now on, never for the past."""

    code = "lock_out_in_the_past"
    title = "A lock-out cannot begin in the past"


class LockOutOver(Conflict):
    """The lock-out has ended or was released."""

    code = "lock_out_over"
    title = "The lock-out is over"


class LockOutAhead(Conflict):
    """The lock-out has not begun: there is nothing to release yet."""

    code = "lock_out_ahead"
    title = "The lock-out has not begun"


class LockOutBegun(Conflict):
    """The lock-out has begun: it is released, never withdrawn."""

    code = "lock_out_begun"
    title = "The lock-out has begun"


class HandpieceFitted(Conflict):
    """The handpiece is fitted to a laser at or after that instant."""

    code = "handpiece_fitted"
    title = "The handpiece is fitted to a laser at or after that instant"


class FittingOver(Conflict):
    """The fitting has ended."""

    code = "fitting_over"
    title = "The fitting has ended"


class EndsBeforeStart(Malformed):
    """What is to end has not begun at that instant."""

    code = "ends_before_start"
    title = "The end must lie after the start"


class LinesDiffer(Refused):
    """The handpiece has lines that the laser model does not have."""

    code = "lines_differ"
    title = "The handpiece has lines that the laser does not have"


class PulsesAfter(Refused):
    """The ledger has pulses through the handpiece that the change would leave without a fitting."""

    code = "pulses_after"
    title = "Pulses were fired through the handpiece after that instant"


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
