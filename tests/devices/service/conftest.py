"""A laser at a clinic that is open every day, and who may do what."""

from types import SimpleNamespace

import pytest

from clinics.vocabulary import Role
from tests.support.api import sign_in
from tests.support.devices import make_fitted_handpiece, make_laser
from tests.support.factories import make_clinic, make_opening_week


@pytest.fixture
def site():
    """laser, tip (handpiece), officer, manager, desk."""
    clinic = make_clinic(country="")
    make_opening_week(clinic)
    laser = make_laser(clinic)
    return SimpleNamespace(
        clinic=clinic,
        laser=laser,
        tip=make_fitted_handpiece(laser),
        officer=sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic),
        manager=sign_in(Role.CHAIN_MANAGER, chain=clinic.chain),
        desk=sign_in(Role.FRONT_DESK, clinic=clinic),
    )
