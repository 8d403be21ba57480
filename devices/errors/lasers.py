"""What lasers, handpieces, fittings and lock-outs refuse."""

from core.errors import Conflict, Malformed, NotFound, Refused


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


class SerialTaken(Conflict):
    """The serial number is taken."""

    code = "serial_taken"
    title = "A device of this serial number exists"


class RoomElsewhere(Refused):
    """The room is not one of the clinic."""

    code = "room_elsewhere"
    title = "The room belongs to another clinic"


class LaserLockedOut(Conflict):
    """Another lock-out of the laser overlaps this one."""

    code = "lock_out_overlaps"
    title = "The laser is locked out in that period already"


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
