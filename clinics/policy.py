"""Who may do what: one table of action -> roles, for every app.

A role held at one clinic counts there; held for the whole chain it counts everywhere. Actions on
chain-wide things (patients, courses, laser models) ask only that the role is held somewhere.
"""

from typing import Final

from clinics.vocabulary import Role

MANAGER = Role.CHAIN_MANAGER
DESK = Role.FRONT_DESK
OPERATOR = Role.LASER_OPERATOR
CLINICIAN = Role.TREATING_CLINICIAN
SAFETY = Role.LASER_SAFETY_OFFICER
INTEGRATOR = Role.INTEGRATOR

EVERYONE: Final = frozenset(Role)
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

POLICY: Final[dict[str, frozenset[Role]]] = {
    "own.use": EVERYONE,
    "organisation.read": EVERYONE,
    "organisation.write": frozenset({MANAGER}),
    "staff.read": EVERYONE,
    "staff.write": frozenset({MANAGER}),
    "credential.write": frozenset({MANAGER, SAFETY}),
    "shift.write": frozenset({MANAGER, DESK}),
    "membership.read": frozenset({MANAGER}),
    "membership.write": frozenset({MANAGER}),
    "reservation.read": EVERYONE,
    "absence.write": frozenset({MANAGER, DESK, SAFETY}),
    "capacity.read": frozenset({MANAGER, DESK, INTEGRATOR}),
    "device.read": EVERYONE,
    "device.write": frozenset({MANAGER, SAFETY}),
    "eyewear.write": frozenset({MANAGER, SAFETY}),
    "eyewear_policy.write": frozenset({MANAGER, SAFETY}),
    "lock_out.write": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN}),
    "lock_out.release": frozenset({SAFETY}),
    "fitting.write": frozenset({SAFETY, OPERATOR}),
    "part.install": frozenset({SAFETY, OPERATOR}),
    "service.write": frozenset({MANAGER, SAFETY}),
    "service.defer": frozenset({SAFETY}),
    "meter.write": frozenset({MANAGER, SAFETY}),
    "energy_check.write": frozenset({SAFETY, OPERATOR}),
    "energy_check.void": frozenset({SAFETY}),
    "start_up_check.write": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN}),
    "duty.write": frozenset({MANAGER, SAFETY}),
    "duty.withdraw": frozenset({SAFETY}),
    "duty_policy.write": frozenset({MANAGER, SAFETY}),
    "officer.appoint": frozenset({MANAGER}),
    "incident.read": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN}),
    "incident.write": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN, DESK}),
    "incident.close": frozenset({SAFETY}),
    "pulse_entry.read": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN, INTEGRATOR}),
    "pulse_entry.write": frozenset({SAFETY, OPERATOR, CLINICIAN}),
    "pulse_entry.correct": frozenset({SAFETY}),
    "ledger.verify": frozenset({MANAGER, SAFETY, INTEGRATOR}),
    "logbook.print": frozenset({MANAGER, SAFETY, INTEGRATOR}),
    "counter.read": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN, INTEGRATOR}),
    "counter.write": frozenset({MANAGER, SAFETY}),
    "counter_reading.write": frozenset({SAFETY, OPERATOR, CLINICIAN, INTEGRATOR}),
    "counter_reading.correct": frozenset({SAFETY}),
    "counter_import.write": frozenset({MANAGER, SAFETY, INTEGRATOR}),
    "counter_difference.write": frozenset({MANAGER, SAFETY}),
    "counter_difference.close": frozenset({SAFETY}),
    "patient.read": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "patient.export": frozenset({MANAGER, CLINICIAN}),
    "patient.write": frozenset({DESK, CLINICIAN, INTEGRATOR}),
    "contact_point.read": frozenset({DESK, CLINICIAN, INTEGRATOR}),
    "contact_point.write": frozenset({DESK, CLINICIAN, INTEGRATOR}),
    "tattoo.write": frozenset({CLINICIAN}),
    "course.read": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "course.write": frozenset({CLINICIAN}),
    "session.read": frozenset({MANAGER, OPERATOR, CLINICIAN, SAFETY, INTEGRATOR}),
    "session.write": frozenset({OPERATOR, CLINICIAN}),
    "session.override": frozenset({CLINICIAN}),
    "session.correct": frozenset({CLINICIAN}),
    "observation.write": frozenset({OPERATOR, CLINICIAN, DESK}),
    "observation.correct": frozenset({CLINICIAN}),
    "grade.write": frozenset({CLINICIAN, OPERATOR}),
    "grade.correct": frozenset({CLINICIAN}),
    "healing.read": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "healing.decide": frozenset({CLINICIAN}),
    "slot.search": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "appointment.read": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "appointment.write": frozenset({DESK, CLINICIAN, INTEGRATOR}),
    "appointment.override": frozenset({CLINICIAN}),
    "appointment.arrive": frozenset({DESK, OPERATOR, CLINICIAN}),
    "waiting_list.read": frozenset({MANAGER, DESK, CLINICIAN, INTEGRATOR}),
    "waiting_list.write": frozenset({DESK, CLINICIAN, INTEGRATOR}),
    "gap.read": frozenset({MANAGER, DESK, CLINICIAN, INTEGRATOR}),
    "gap.write": frozenset({DESK, CLINICIAN, INTEGRATOR}),
    "replan.read": frozenset({MANAGER, DESK, CLINICIAN}),
    "replan.write": frozenset({MANAGER, DESK}),
    "calendar_feed.read": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, SAFETY}),
    "calendar_feed.write": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN, SAFETY}),
    "calendar_feed.of_others": frozenset({MANAGER, DESK}),
    "recall.read": frozenset({MANAGER, DESK, CLINICIAN, INTEGRATOR}),
    "recall.write": frozenset({DESK, CLINICIAN}),
    "recall_policy.write": frozenset({MANAGER}),
    "message_template.write": frozenset({MANAGER}),
    "recall_outcome.read": frozenset({MANAGER}),
    "precaution.read": frozenset({DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "precaution.write": frozenset({DESK, OPERATOR, CLINICIAN, INTEGRATOR}),
    "precaution.decide": frozenset({CLINICIAN}),
    "calibration.read": frozenset({MANAGER, CLINICIAN}),
    "calibration.run": frozenset({MANAGER, CLINICIAN}),
    "calibration.decide": frozenset({CLINICIAN}),
    "outcome.read": frozenset({MANAGER, CLINICIAN, SAFETY}),
    "history.read": frozenset({MANAGER}),
    "history.of_patient": frozenset({MANAGER, CLINICIAN}),
    "history.of_laser": frozenset({MANAGER, SAFETY, OPERATOR, CLINICIAN}),
    "history.of_appointment": frozenset({MANAGER, DESK, OPERATOR, CLINICIAN}),
    "record_read.read": frozenset({MANAGER}),
    "calculator.use": EVERYONE,
}
