"""Status codes against HL7 FHIR R5 (5.0.0), as the metadata of `fhir.resources` lists them.

Source: hl7.org/fhir/R5, elements CarePlan.status, Procedure.status, Appointment.status,
Observation.status, CommunicationRequest.status, Communication.status, Task.status, Slot.status,
Device.status; read from the `enum_values` of the library's models. We use subsets.
"""

from typing import Any

import pytest
from fhir.resources.appointment import Appointment
from fhir.resources.careplan import CarePlan
from fhir.resources.communication import Communication
from fhir.resources.communicationrequest import CommunicationRequest
from fhir.resources.device import Device
from fhir.resources.observation import Observation
from fhir.resources.procedure import Procedure
from fhir.resources.slot import Slot
from fhir.resources.task import Task

from core.vocabulary import DeviceStatus, ReservationStatus
from courses import vocabulary
from courses.transitions import APPOINTMENT, COURSE, MESSAGE, RECALL, REPLAN_RUN, SESSION

# Where the library writes "+" it has cut the list off; these stand on
# hl7.org/fhir/R5/valueset-observation-status.html and valueset-task-status.html (from memory).
CUT_OFF = {
    Observation: {"corrected", "cancelled", "entered-in-error", "unknown"},
    Task: {
        "ready",
        "cancelled",
        "in-progress",
        "on-hold",
        "failed",
        "completed",
        "entered-in-error",
    },
}


def codes(resource: Any) -> set[str]:
    extra = resource.model_fields["status"].json_schema_extra
    return set(extra["enum_values"]) | CUT_OFF.get(resource, set())


@pytest.mark.parametrize(
    ("ours", "resource"),
    [
        (vocabulary.CourseStatus, CarePlan),
        (vocabulary.SessionStatus, Procedure),
        (vocabulary.AppointmentStatus, Appointment),
        (vocabulary.WaitingStatus, Appointment),
        (vocabulary.ObservationStatus, Observation),
        (vocabulary.RequestStatus, CommunicationRequest),
        (vocabulary.MessageStatus, Communication),
        (vocabulary.TaskStatus, Task),
        (ReservationStatus, Slot),
        (DeviceStatus, Device),
    ],
)
def test_our_codes_are_fhirs(ours, resource):
    assert {code.value for code in ours} <= codes(resource)


def test_appointments_use_every_code_of_fhir():
    assert {code.value for code in vocabulary.AppointmentStatus} == codes(Appointment)


@pytest.mark.parametrize(
    ("steps", "ours"),
    [
        (COURSE, vocabulary.CourseStatus),
        (SESSION, vocabulary.SessionStatus),
        (APPOINTMENT, vocabulary.AppointmentStatus),
        (RECALL, vocabulary.RequestStatus),
        (MESSAGE, vocabulary.MessageStatus),
        (REPLAN_RUN, vocabulary.TaskStatus),
    ],
)
def test_steps_lead_to_codes_of_their_own_set(steps, ours):
    known = {code.value for code in ours}
    assert {str(old) for old in steps} <= known
    assert {str(new) for news in steps.values() for new in news} <= known


def test_the_library_takes_any_string_so_the_database_must_not():
    """Why the codes are also constraints: the validating library does not enforce them."""
    made = Slot.model_validate(
        {
            "resourceType": "Slot",
            "status": "foo",
            "schedule": {"reference": "Schedule/1"},
            "start": "2026-03-02T08:00:00Z",
            "end": "2026-03-02T09:00:00Z",
        }
    )
    assert made.status == "foo"
