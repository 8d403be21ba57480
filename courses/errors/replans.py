"""What re-plans refuse."""

from core.errors import Conflict, NotFound, Refused


class ReplanUnknown(NotFound):
    """No such re-plan in the caller's chain."""

    code = "replan_unknown"
    title = "No such re-plan"


class NothingHit(Refused):
    """No booked visit that is still to come needs what is not to be had."""

    code = "nothing_hit"
    title = "No booked visit is hit"


class TooManyHit(Refused):
    """More visits are hit than one re-plan takes: name fewer outages, or shorter ones."""

    code = "too_many_hit"
    title = "More visits are hit than one re-plan takes"


class HorizonTooLong(Refused):
    """Slots would be looked for too far ahead: shorten the outages, or `days`."""

    code = "horizon_too_long"
    title = "The re-plan reaches too far ahead"


class DiaryChanged(Conflict):
    """The diary has changed since the proposal was made; nothing was moved: solve again.

    `changes` names each appointment that cannot be moved as proposed, and why.
    """

    code = "diary_changed"
    title = "The diary has changed since this was proposed"


class UnplacedInTheWay(Conflict):
    """Visits without a new slot keep time that others are to be given: choose what becomes of them.

    `unplaced` names each, with whom it would have to give way to.
    """

    code = "unplaced_in_the_way"
    title = "Visits without a new slot are in the way"


class RowNotUnplaced(Refused):
    """Only an appointment that this re-plan has no slot for can be cancelled by it."""

    code = "replan_row_not_unplaced"
    title = "The re-plan does not leave this appointment without a slot"
