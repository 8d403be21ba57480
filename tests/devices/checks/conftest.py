"""A laser of two lines with a handpiece on it, and who may do what."""

from types import SimpleNamespace

import pytest

from clinics.vocabulary import Role
from tests.support.api import sign_in
from tests.support.devices import make_fitted_handpiece, make_laser
from tests.support.factories import make_clinic
from tests.support.upkeep import make_meter


@pytest.fixture
def bench():
    """laser, tip (handpiece), green and infrared lines, meter, officer, operator."""
    laser = make_laser(make_clinic())
    green, infrared = laser.laser_model.lines.order_by("wavelength_nm")
    return SimpleNamespace(
        laser=laser,
        tip=make_fitted_handpiece(laser),
        green=green,
        infrared=infrared,
        meter=make_meter(laser.chain),
        officer=sign_in(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic),
        operator=sign_in(Role.LASER_OPERATOR, clinic=laser.clinic),
    )
