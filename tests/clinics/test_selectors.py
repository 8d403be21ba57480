"""Reads that other apps build on: right, scoped, and a fixed number of queries."""

from datetime import date, time

import pytest

from clinics import selectors
from clinics.models import Closure
from clinics.vocabulary import CredentialKind
from core.db import as_range
from core.spans import Span
from tests.support.factories import (
    instant,
    make_chain,
    make_clinic,
    make_credential,
    make_hold,
    make_opening_week,
    make_reservation,
    make_resource,
    make_staff,
    span,
)

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T06:00Z")
WEEKEND = Span(instant("2026-03-28T00:00Z"), instant("2026-03-30T00:00Z"))


def make_open(chain, zone):
    clinic = make_clinic(chain, time_zone=zone, country="")
    make_opening_week(clinic)
    return clinic


def test_opening_hours_of_many_clinics_in_three_queries(django_assert_num_queries):
    chain = make_chain()
    zones = ["Europe/Berlin", "America/New_York", "Australia/Perth", "UTC"]
    clinics = [make_open(chain, zone) for zone in zones]
    with django_assert_num_queries(3):
        found = selectors.opening_spans_for(clinics, WEEKEND)
    assert found[clinics[0].pk] == [
        Span(instant("2026-03-28T08:00Z"), instant("2026-03-28T16:00Z")),
        Span(instant("2026-03-29T07:00Z"), instant("2026-03-29T15:00Z")),
    ]
    assert found[clinics[1].pk] == [
        Span(instant("2026-03-28T13:00Z"), instant("2026-03-28T21:00Z")),
        Span(instant("2026-03-29T13:00Z"), instant("2026-03-29T21:00Z")),
    ]
    assert [len(found[clinic.pk]) for clinic in clinics] == [2, 2, 2, 2]


def test_hours_are_cut_to_the_span_asked_for():
    clinic = make_open(make_chain(), "Australia/Perth")
    asked = Span(instant("2026-03-28T02:00Z"), instant("2026-03-29T02:00Z"))
    assert selectors.opening_spans_for([clinic], asked)[clinic.pk] == [
        Span(instant("2026-03-28T02:00Z"), instant("2026-03-28T09:00Z")),
        Span(instant("2026-03-29T01:00Z"), instant("2026-03-29T02:00Z")),
    ]


def test_closures_make_holes_and_an_inactive_clinic_is_never_open():
    chain = make_chain()
    clinic, gone = make_open(chain, "UTC"), make_open(chain, "UTC")
    gone.active = False
    gone.save()
    hole = span("2026-03-28T12:00Z", minutes=60)
    Closure.objects.create(clinic=clinic, period=as_range(hole), reason="x")
    found = selectors.opening_spans_for([clinic, gone], WEEKEND)
    assert found[clinic.pk][:2] == [
        Span(instant("2026-03-28T09:00Z"), hole.start),
        Span(hole.end, instant("2026-03-28T17:00Z")),
    ]
    assert found[gone.pk] == []


def test_busy_spans_leave_expired_holds_out(django_assert_num_queries):
    chain = make_chain()
    laser, idle = make_resource(chain), make_resource(chain)
    make_reservation(laser, span("2026-03-28T11:00Z"))
    make_hold(laser, span("2026-03-28T09:00Z"), expires_at=instant("2026-03-02T06:30Z"))
    make_hold(laser, span("2026-03-28T14:00Z"), expires_at=NOW)
    with django_assert_num_queries(1):
        busy = selectors.busy_spans_for([laser.pk, idle.pk], WEEKEND, now=NOW)
    assert busy == {
        laser.pk: [span("2026-03-28T09:00Z"), span("2026-03-28T11:00Z")],
        idle.pk: [],
    }


def test_fitness_needs_a_credential_in_date_for_every_wavelength(django_assert_num_queries):
    chain = make_chain()
    day = date(2026, 3, 2)
    any_line, two, one, expired, other_kind = (make_staff(chain) for _ in range(5))
    make_credential(any_line)
    make_credential(two, wavelengths_nm=[532])
    make_credential(two, wavelengths_nm=[755, 1064])
    make_credential(one, wavelengths_nm=[532])
    make_credential(expired, until=day)
    make_credential(other_kind, kind=CredentialKind.CLINICAL_ASSESSMENT)
    make_credential(make_staff())
    asked = {"chain_id": chain.pk, "kind": CredentialKind.LASER_OPERATION}
    with django_assert_num_queries(1):
        fit = set(selectors.staff_fit_on(day, wavelengths_nm=[532, 755], **asked))
    assert fit == {any_line, two}
    assert set(selectors.staff_fit_on(day, **asked)) == {any_line, two, one}


def test_days_across_a_year_cost_five_queries(django_assert_num_queries):
    clinic = make_open(make_chain(), "Europe/Berlin")
    with django_assert_num_queries(5):
        days = selectors.opening_days(clinic, from_date=date(2026, 1, 1), to_date=date(2027, 1, 1))
    assert len(days) == 365
    hours = sum(span.duration.total_seconds() for day in days for span in day.spans) / 3600
    assert hours == 365 * 8, "eight hours of wall time by day are eight hours on every day"


def test_a_night_shift_of_opening_hours_loses_an_hour_in_spring():
    clinic = make_clinic(time_zone="Europe/Berlin", country="")
    make_opening_week(clinic, opens=time(0), closes=time(0))
    found = selectors.opening_spans_for([clinic], WEEKEND)[clinic.pk]
    assert found == [WEEKEND]
    (day,) = selectors.opening_days(clinic, from_date=date(2026, 3, 29), to_date=date(2026, 3, 30))
    assert [s.duration.total_seconds() / 3600 for s in day.spans] == [23]
