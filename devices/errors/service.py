"""What service plans and service visits refuse."""

from core.errors import Conflict, Malformed, NotFound, Refused


class ServicePlanUnknown(NotFound):
    """No such service plan in the caller's chain."""

    code = "service_plan_unknown"
    title = "No such service plan"


class ServiceVisitUnknown(NotFound):
    """No such service visit in the caller's chain."""

    code = "service_visit_unknown"
    title = "No such service visit"


class PlanNameTaken(Conflict):
    """The laser has a plan of this name."""

    code = "service_plan_name_taken"
    title = "The laser has a service plan of this name"


class PlanWithoutInterval(Malformed):
    """A plan goes by pulses, by months, or by whichever comes first."""

    code = "service_plan_without_interval"
    title = "A service plan needs an interval of pulses, of months, or both"


class DeferralWithoutReason(Malformed):
    """A service is put off with a reason and until a time ahead."""

    code = "deferral_incomplete"
    title = "A service is put off until a time ahead, with a reason"


class PlansOfOthers(Malformed):
    """A visit does plans of its own laser."""

    code = "service_plans_of_others"
    title = "These are no service plans of the laser"


class VisitClosed(Conflict):
    """The visit was done or cancelled."""

    code = "service_visit_closed"
    title = "The service visit was done or cancelled"


class VisitAhead(Conflict):
    """A visit is done once it has begun."""

    code = "service_visit_ahead"
    title = "The service visit has not begun"


class VisitInThePast(Refused):
    """A visit is booked for a time ahead."""

    code = "service_visit_in_the_past"
    title = "A service visit is booked for a time ahead"


class VerificationMissing(Refused):
    """A passing energy check made since is needed first."""

    code = "verification_missing"
    title = "A passing energy check made since is needed"


class ServiceStillDue(Refused):
    """The service whose lateness locked the laser out has neither been done nor put off."""

    code = "service_still_due"
    title = "The service that locked the laser out is still due"


class LineLockOutBounded(Refused):
    """One line is locked out from now until it is released, never for a given time."""

    code = "line_lock_out_bounded"
    title = "A line is locked out from now until it is released"
