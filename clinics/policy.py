"""Who may do what: one table of action -> roles and scope, for every app.

A role held at one clinic counts there; held for the whole chain it counts everywhere. The scope of
an action says where it must be held: at the clinic of what is acted on, somewhere in the chain
(for chain-wide things such as patients, courses, laser models), or for the whole chain. What
belongs to no clinic, such as a member of staff without shifts, asks of an action at the clinic
only that the role is held somewhere. `docs/access.md` is this table for people.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from clinics.vocabulary import Role, Scope

MANAGER = Role.CHAIN_MANAGER
DESK = Role.FRONT_DESK
OPERATOR = Role.LASER_OPERATOR
CLINICIAN = Role.TREATING_CLINICIAN
SAFETY = Role.LASER_SAFETY_OFFICER
INTEGRATOR = Role.INTEGRATOR

EVERYONE: Final = frozenset(Role)


@dataclass(frozen=True, slots=True)
class Rule:
    """Which roles allow an action, and where one of them must be held."""

    roles: frozenset[Role]
    scope: Scope


def anywhere(*roles: Role) -> Rule:
    """One of the roles, held at any clinic or for the chain."""
    return Rule(frozenset(roles), Scope.ANYWHERE)


def at_the_clinic(*roles: Role) -> Rule:
    """One of the roles, held at the clinic that is acted on or for the chain."""
    return Rule(frozenset(roles), Scope.CLINIC)


def for_the_chain(*roles: Role) -> Rule:
    """One of the roles, held for the whole chain."""
    return Rule(frozenset(roles), Scope.CHAIN)


BOOKING_RECORDS: Final = frozenset(
    {
        "appointment",
        "appointment_handpieces",
        "appointmentseries",
        "gapoffer",
        "message",
        "recall",
    }
)
"""What of an appointment's history is no medical detail: shown without `session.read` too."""

MEDICAL_COLUMNS: Final[Mapping[str, frozenset[str]]] = {
    "appointment": frozenset({"override_reason"}),
}
"""Columns of such rows that are one all the same: null to who lacks `medical_detail.read`."""

FIELDS: Final[Mapping[str, Mapping[str, str]]] = {"Absence": {"note": "absence.write"}}
"""Component of the OpenAPI document -> field -> action. Null for who may not: why somebody is away
is their own affair and that of who plans without them."""

POLICY: Final[dict[str, Rule]] = {
    "own.use": anywhere(*EVERYONE),
    "own.session": anywhere(*EVERYONE),
    "organisation.read": anywhere(*EVERYONE),
    "organisation.write": at_the_clinic(MANAGER),
    "chain.write": for_the_chain(MANAGER),
    "staff.read": anywhere(*EVERYONE),
    "staff.write": anywhere(MANAGER),
    "credential.write": anywhere(MANAGER, SAFETY),
    "shift.write": at_the_clinic(MANAGER, DESK),
    "membership.read": anywhere(MANAGER),
    "membership.write": at_the_clinic(MANAGER),
    "membership.of_chain": for_the_chain(MANAGER),
    "sign_in.write": for_the_chain(MANAGER),
    "machine_token.read": for_the_chain(MANAGER),
    "machine_token.write": for_the_chain(MANAGER),
    "reservation.read": anywhere(*EVERYONE),
    "absence.write": at_the_clinic(MANAGER, DESK, SAFETY),
    "capacity.read": anywhere(MANAGER, DESK, INTEGRATOR),
    "device.read": anywhere(*EVERYONE),
    "device.write": at_the_clinic(MANAGER, SAFETY),
    "laser_model.write": anywhere(MANAGER, SAFETY),
    "part.write": anywhere(MANAGER, SAFETY),
    "eyewear.write": at_the_clinic(MANAGER, SAFETY),
    "eyewear_policy.write": for_the_chain(MANAGER, SAFETY),
    "lock_out.write": at_the_clinic(MANAGER, SAFETY, OPERATOR, CLINICIAN),
    "lock_out.release": at_the_clinic(SAFETY),
    "fitting.write": at_the_clinic(SAFETY, OPERATOR),
    "part.install": at_the_clinic(SAFETY, OPERATOR),
    "service.write": at_the_clinic(MANAGER, SAFETY),
    "service.defer": at_the_clinic(SAFETY),
    "meter.write": anywhere(MANAGER, SAFETY),
    "energy_check.write": at_the_clinic(SAFETY, OPERATOR),
    "energy_check.void": at_the_clinic(SAFETY),
    "start_up_check.write": at_the_clinic(MANAGER, SAFETY, OPERATOR, CLINICIAN),
    "duty.write": at_the_clinic(MANAGER, SAFETY),
    "duty.withdraw": at_the_clinic(SAFETY),
    "duty_policy.write": for_the_chain(MANAGER, SAFETY),
    "officer.appoint": at_the_clinic(MANAGER),
    "incident.read": anywhere(MANAGER, SAFETY, OPERATOR, CLINICIAN),
    "incident.write": at_the_clinic(MANAGER, SAFETY, OPERATOR, CLINICIAN, DESK),
    "incident.close": at_the_clinic(SAFETY),
    "pulse_entry.read": anywhere(MANAGER, SAFETY, OPERATOR, CLINICIAN, INTEGRATOR),
    "pulse_entry.write": at_the_clinic(SAFETY, OPERATOR, CLINICIAN),
    "pulse_entry.correct": at_the_clinic(SAFETY),
    "ledger.verify": anywhere(MANAGER, SAFETY, INTEGRATOR),
    "logbook.print": anywhere(MANAGER, SAFETY, INTEGRATOR),
    "counter.read": anywhere(MANAGER, SAFETY, OPERATOR, CLINICIAN, INTEGRATOR),
    "counter.write": at_the_clinic(MANAGER, SAFETY),
    "counter_layout.write": anywhere(MANAGER, SAFETY),
    "counter_reading.write": at_the_clinic(SAFETY, OPERATOR, CLINICIAN, INTEGRATOR),
    "counter_reading.correct": at_the_clinic(SAFETY),
    "counter_import.write": anywhere(MANAGER, SAFETY, INTEGRATOR),
    "counter_import.row": at_the_clinic(MANAGER, SAFETY, INTEGRATOR),
    "counter_reconciliation.run": anywhere(MANAGER, SAFETY),
    "counter_difference.write": at_the_clinic(MANAGER, SAFETY),
    "counter_difference.close": at_the_clinic(SAFETY),
    "patient.read": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "patient.export": anywhere(MANAGER, CLINICIAN),
    "patient.erase": for_the_chain(MANAGER),
    "patient.write": anywhere(DESK, CLINICIAN, INTEGRATOR),
    "contact_point.read": anywhere(DESK, CLINICIAN, INTEGRATOR),
    "contact_point.write": anywhere(DESK, CLINICIAN, INTEGRATOR),
    "tattoo.write": anywhere(CLINICIAN),
    "course.read": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "course.write": anywhere(CLINICIAN),
    "medical_detail.read": anywhere(MANAGER, OPERATOR, CLINICIAN, INTEGRATOR),
    "session.read": anywhere(MANAGER, OPERATOR, CLINICIAN, SAFETY, INTEGRATOR),
    "session.write": at_the_clinic(OPERATOR, CLINICIAN),
    "session.override": at_the_clinic(CLINICIAN),
    "session.correct": at_the_clinic(CLINICIAN),
    "observation.write": anywhere(OPERATOR, CLINICIAN, DESK),
    "observation.resolve": anywhere(OPERATOR, CLINICIAN),
    "observation.correct": anywhere(CLINICIAN),
    "grade.write": anywhere(CLINICIAN, OPERATOR),
    "grade.correct": anywhere(CLINICIAN),
    "healing.read": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "healing.decide": anywhere(CLINICIAN),
    "slot.search": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "appointment.read": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "appointment.write": at_the_clinic(DESK, CLINICIAN, INTEGRATOR),
    "appointment.override": at_the_clinic(CLINICIAN),
    "appointment.arrive": at_the_clinic(DESK, OPERATOR, CLINICIAN),
    "waiting_list.read": anywhere(MANAGER, DESK, CLINICIAN, INTEGRATOR),
    "waiting_list.write": anywhere(DESK, CLINICIAN, INTEGRATOR),
    "gap.read": anywhere(MANAGER, DESK, CLINICIAN, INTEGRATOR),
    "gap.write": at_the_clinic(DESK, CLINICIAN, INTEGRATOR),
    "replan.read": anywhere(MANAGER, DESK, CLINICIAN),
    "replan.write": at_the_clinic(MANAGER, DESK),
    "calendar_feed.read": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, SAFETY),
    "calendar_feed.write": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN, SAFETY),
    "calendar_feed.of_others": at_the_clinic(MANAGER, DESK),
    "recall.read": anywhere(MANAGER, DESK, CLINICIAN, INTEGRATOR),
    "recall.write": at_the_clinic(DESK, CLINICIAN),
    "recall_policy.write": for_the_chain(MANAGER),
    "message_template.write": for_the_chain(MANAGER),
    "recall_outcome.read": anywhere(MANAGER),
    "precaution.read": anywhere(DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "precaution.write": anywhere(DESK, OPERATOR, CLINICIAN, INTEGRATOR),
    "precaution.decide": anywhere(CLINICIAN),
    "calibration.read": anywhere(MANAGER, CLINICIAN),
    "calibration.run": anywhere(MANAGER, CLINICIAN),
    "calibration.decide": anywhere(CLINICIAN),
    "outcome.read": anywhere(MANAGER, CLINICIAN, SAFETY),
    "history.read": anywhere(MANAGER),
    "history.export": for_the_chain(MANAGER),
    "history.of_patient": anywhere(MANAGER, CLINICIAN),
    "history.of_laser": anywhere(MANAGER, SAFETY, OPERATOR, CLINICIAN),
    "history.of_appointment": anywhere(MANAGER, DESK, OPERATOR, CLINICIAN),
    "record_read.read": anywhere(MANAGER),
    "calculator.use": anywhere(*EVERYONE),
}
