"""What the organisation of clinics refuses. Each error has a stable code."""

from core.errors import Conflict, Forbidden, Malformed, NotFound, Refused, TooMany


class NotAllowed(Forbidden):
    """The caller's roles do not allow this action here."""

    code = "not_allowed"
    title = "Your roles do not allow this here"


class ChainUnknown(NotFound):
    """The caller's chain is gone."""

    code = "chain_unknown"
    title = "No such chain"


class ClinicUnknown(NotFound):
    """No such clinic in the caller's chain."""

    code = "clinic_unknown"
    title = "No such clinic"


class HoursUnknown(NotFound):
    """No such opening rule, closure or decision about a date in the caller's chain."""

    code = "hours_unknown"
    title = "No such opening rule, closure or decision"


class RoomUnknown(NotFound):
    """No such room in the caller's chain."""

    code = "room_unknown"
    title = "No such room"


class ResourceUnknown(NotFound):
    """No such resource in the caller's chain."""

    code = "resource_unknown"
    title = "No such resource"


class AbsenceUnknown(NotFound):
    """No such absence in the caller's chain."""

    code = "absence_unknown"
    title = "No such absence"


class MembershipUnknown(NotFound):
    """No such membership in the caller's chain."""

    code = "membership_unknown"
    title = "No such membership"


class StaffMemberUnknown(NotFound):
    """No such member of staff in the caller's chain."""

    code = "staff_member_unknown"
    title = "No such member of staff"


class ShiftUnknown(NotFound):
    """No such shift in the caller's chain."""

    code = "shift_unknown"
    title = "No such shift"


class ResourceTaken(Conflict):
    """Something is already busy in that period."""

    code = "resource_taken"
    title = "Already busy in that period"


class PolicyInvalid(Malformed):
    """A policy of the chain names something unknown, or shortens what may only be lengthened."""

    code = "policy_invalid"
    title = "This policy cannot be kept"


class VisitsInTheWay(Conflict):
    """Appointments or other reservations stand in the period. `data` names them by source."""

    code = "visits_in_the_way"
    title = "Appointments stand in the way"


class ChainNameTaken(Conflict):
    """There is a chain of this name."""

    code = "chain_name_taken"
    title = "A chain of this name exists"


class ClinicNameTaken(Conflict):
    """The chain has a clinic of this name."""

    code = "clinic_name_taken"
    title = "A clinic of this name exists"


class RoomNameTaken(Conflict):
    """The clinic has a room of this name."""

    code = "room_name_taken"
    title = "A room of this name exists"


class HolidayOverrideTaken(Conflict):
    """The clinic has decided about this date already."""

    code = "holiday_override_taken"
    title = "There is a decision for this date already"


class OpeningRuleOverlaps(Conflict):
    """Another rule is already in force on that weekday at those hours."""

    code = "opening_rule_overlaps"
    title = "Another opening rule covers these hours"


class ShiftOverlaps(Conflict):
    """The member of staff already works then."""

    code = "shift_overlaps"
    title = "The member of staff already has a shift then"


class MembershipOverlaps(Conflict):
    """The member of staff already has this role there in that time."""

    code = "membership_overlaps"
    title = "The role is already held there in that time"


class LastManager(Refused):
    """A chain keeps somebody who may manage all of it."""

    code = "last_chain_manager"
    title = "The chain would be left without a manager"


class AbsenceUnfit(Refused):
    """That reason does not go with that kind of resource."""

    code = "absence_reason_unfit"
    title = "This reason does not fit this kind of resource"


class SignInNameTaken(Conflict):
    """The user name is taken."""

    code = "user_name_taken"
    title = "The user name is taken"


class PasswordWeak(Malformed):
    """The password does not meet the rules."""

    code = "password_weak"
    title = "The password is too weak"


class PasswordWrong(Refused):
    """The current password is not the one given."""

    code = "password_wrong"
    title = "The current password is wrong"


class SignInLocked(TooMany):
    """Too many attempts did not succeed; none is heard for a time. A manager can end that."""

    code = "sign_in_locked"
    title = "Too many attempts: wait, or ask a manager of your chain"


class SecondFactorMissing(Forbidden):
    """A role of yours would allow this, but the chain lets it count only with a second factor."""

    code = "second_factor_missing"
    title = "Your role asks for a second factor"


class OutOfScope(Forbidden):
    """The token of this machine was not made for that action."""

    code = "out_of_scope"
    title = "This token was not made for that"


class SignInUnknown(NotFound):
    """Nobody signs in with this name."""

    code = "sign_in_unknown"
    title = "No such user name"


class SessionUnknown(NotFound):
    """The caller has no such session."""

    code = "sign_in_session_unknown"
    title = "No such session"


class MachineTokenUnknown(NotFound):
    """No such token of a machine in the caller's chain."""

    code = "machine_token_unknown"
    title = "No such token of a machine"


class MachineRoleMissing(Refused):
    """Who the machine is to act as is not an integrator now."""

    code = "machine_role_missing"
    title = "Give them the role of an integrator first"


class MachineExpiryUnfit(Malformed):
    """A machine's token ends in the future, and within a year."""

    code = "machine_expiry_unfit"
    title = "A machine's token ends within a year"


class ScopeUnfit(Malformed):
    """A scope is unknown, or is nothing that an integrator may do. `data` names what there is."""

    code = "scope_unfit"
    title = "This cannot be a scope of a machine's token"
