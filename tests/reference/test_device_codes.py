"""Statuses of devices and of what keeps them busy are the codes of HL7 FHIR R5.

Source: the required bindings as `fhir.resources` 8.3 carries them in the metadata of its R5
models (`enum_values`): Device.status (http://hl7.org/fhir/ValueSet/device-status) and Slot.status
(http://hl7.org/fhir/ValueSet/slotstatus). The library lists the codes but does not enforce them.
"""

import pytest
from fhir.resources.device import Device
from fhir.resources.slot import Slot

from core.vocabulary import DeviceStatus, ReservationStatus
from devices.models import Handpiece, Laser


def codes(resource, field):
    """The codes that the library's model of a resource lists for one of its fields."""
    return resource.model_fields[field].json_schema_extra["enum_values"]


@pytest.mark.parametrize(
    ("vocabulary", "resource"), [(DeviceStatus, Device), (ReservationStatus, Slot)]
)
def test_statuses_are_the_codes_of_fhir(vocabulary, resource):
    assert {status.value for status in vocabulary} == set(codes(resource, "status"))


@pytest.mark.parametrize("model", [Laser, Handpiece])
def test_a_device_row_holds_such_a_status_and_no_other(model):
    stored = [code for code, _ in model._meta.get_field("status").choices]
    assert stored == codes(Device, "status")
