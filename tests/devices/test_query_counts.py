"""Every list of devices costs the same number of queries for 2 rows as for 12."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from devices.models import LaserAuthorisation
from tests.support.api import queries_of, sign_in
from tests.support.devices import (
    make_correction,
    make_fitted_handpiece,
    make_laser,
    make_lock_out,
    make_pulse_entry,
)
from tests.support.factories import make_clinic, make_credential, make_staff, now

pytestmark = pytest.mark.django_db

LISTS = [
    "/laser-models",
    "/emission-lines",
    "/laser-authorisations",
    "/lasers",
    "/lock-outs",
    "/handpieces",
    "/fittings",
    "/pulse-entries",
]


def add_a_clinic_with_everything(chain):
    """One laser of a model of its own, two lines, on its own clinic; all that hangs on it."""
    laser = make_laser(make_clinic(chain))
    handpiece = make_fitted_handpiece(laser)
    make_lock_out(laser, since=now() - timedelta(hours=1))
    make_correction(make_pulse_entry(laser, handpiece, fired_at=now()), -1)
    LaserAuthorisation.objects.create(
        credential=make_credential(make_staff(chain)), laser_model=laser.laser_model
    )


@pytest.mark.parametrize("path", LISTS)
def test_as_many_queries_for_12_rows_as_for_2(path):
    caller = sign_in(Role.LASER_SAFETY_OFFICER)
    for _ in range(2):
        add_a_clinic_with_everything(caller.staff.chain)
    few = queries_of(caller, path)
    for _ in range(10):
        add_a_clinic_with_everything(caller.staff.chain)
    assert len(caller.get(path).json()["items"]) >= 12
    assert queries_of(caller, path) == few
