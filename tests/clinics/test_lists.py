"""Every list costs the same for two rows as for twelve, and shows the caller's chain only."""

from datetime import date, time, timedelta

import pytest
from django.utils import timezone

from clinics.models import Absence, Closure, HolidayOverride
from clinics.vocabulary import Role
from core.db import as_range
from tests.support.api import queries_of, sign_in
from tests.support.factories import (
    make_chain,
    make_clinic,
    make_credential,
    make_membership,
    make_opening_week,
    make_reservation,
    make_room,
    make_shift,
    make_staff,
    span,
)

pytestmark = pytest.mark.django_db


def ahead(hours):
    return span(timezone.now() + timedelta(days=1, hours=2 * hours))


def closure(chain, number):
    Closure.objects.create(clinic=make_clinic(chain), period=as_range(ahead(number)), reason="x")


def override(chain, number):
    day = date(2026, 1, 1) + timedelta(days=number)
    HolidayOverride.objects.create(clinic=make_clinic(chain), date=day, treatment="closed")


def absence(chain, number):
    person = make_staff(chain)
    Absence.objects.create(
        resource=make_room(make_clinic(chain)).resource,
        period=as_range(ahead(number)),
        reason="closure",
        entered_by=person,
    )


def reservation(chain, number):
    owner = make_staff(chain) if number % 2 else make_room(make_clinic(chain))
    make_reservation(owner.resource, ahead(number))


ROWS = {
    "/clinics": lambda chain, _: make_clinic(chain),
    "/rooms": lambda chain, _: make_room(make_clinic(chain)),
    "/staff-members": lambda chain, n: make_staff(chain, user=bool(n % 2)),
    "/credentials": lambda chain, _: make_credential(make_staff(chain)),
    "/shifts": lambda chain, n: make_shift(make_staff(chain), make_clinic(chain), ahead(n)),
    "/memberships": lambda chain, _: make_membership(make_staff(chain), Role.FRONT_DESK),
    "/opening-rules": lambda chain, n: make_opening_week(
        make_clinic(chain), weekdays=[n % 7 + 1], closes=time(18)
    ),
    "/closures": closure,
    "/holiday-overrides": override,
    "/reservations": reservation,
    "/absences": absence,
}


@pytest.mark.parametrize("path", ROWS)
def test_the_number_of_queries_does_not_grow_with_the_rows(path):
    caller = sign_in()
    chain, stranger = caller.staff.chain, make_chain()
    for number in range(2):
        ROWS[path](chain, number)
    few = queries_of(caller, path)
    for number in range(2, 12):
        ROWS[path](chain, number)
    ROWS[path](stranger, 12)
    before = len(caller.get(path).json()["items"])
    assert queries_of(caller, path) == few
    assert before in {12, 13}, "the caller's own rows and no others"
    assert few <= 6


def test_opening_hours_cost_the_same_for_a_day_as_for_a_year():
    clinic = make_clinic()
    make_opening_week(clinic)
    caller = sign_in(chain=clinic.chain)
    path = f"/clinics/{clinic.pk}/opening-hours"
    day = queries_of(caller, path, from_="2026-01-01", to="2026-01-02")
    assert queries_of(caller, path, from_="2026-01-01", to="2027-01-01") == day
