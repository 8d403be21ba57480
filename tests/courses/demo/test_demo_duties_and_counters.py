"""The duties and counters of the demonstration: all is well but what is meant to be seen."""

from clinics.models import Clinic
from devices.models import (
    Counter,
    CounterDifference,
    CounterReading,
    CounterReconciliation,
    Incident,
    Laser,
    OfficerAppointment,
    StartUpCheck,
)
from devices.selectors.duties import duty_standings
from devices.vocabulary import CounterFinding, DutyState
from tests.support.demo import LOADED_AT


def test_each_laser_has_a_counter_that_agrees_with_the_ledger_but_once(demo):
    assert Counter.objects.count() == Laser.objects.count()
    assert CounterReading.objects.exclude(note="invented").count() == 0
    difference = CounterDifference.objects.get()
    assert (difference.status, difference.finding) == ("open", CounterFinding.UNLOGGED)
    assert difference.counter_pulses - difference.ledger_pulses == 14
    run = CounterReconciliation.objects.get()
    assert (run.spans - run.agreeing, run.left_open) == (1, 1)
    assert run.spans > 1


def test_each_clinic_has_an_officer_and_one_periodic_duty_is_overdue(demo):
    clinics = [*Clinic.objects.order_by("pk")]
    assert {one.clinic for one in OfficerAppointment.objects.all()} == {*clinics}
    standings = duty_standings(clinics, chain_id=clinics[0].chain_id, now=LOADED_AT)
    assert "officer" not in {one.duty for one in standings if one.late}
    codes = {"inventory", "local_rules", "adviser_visit", "audit"}
    periodic = [one for one in standings if one.duty in codes]
    assert len(periodic) == 4 * len(clinics)
    late = [one for one in periodic if one.late]
    assert [(one.duty, one.state) for one in late] == [("local_rules", DutyState.OVERDUE)]


def test_a_start_up_check_that_failed_was_made_again_before_anybody_came(demo):
    checks = [*StartUpCheck.objects.order_by("checked_at", "pk")]
    assert {one.clinic_id for one in checks} == {one.pk for one in Clinic.objects.all()}
    for failed in (one for one in checks if not one.passed):
        same = [one for one in checks if (one.laser_id, one.day) == (failed.laser_id, failed.day)]
        assert max(same, key=lambda one: one.checked_at).passed
    assert any(not one.passed for one in checks)


def test_the_incident_is_closed_and_its_clocks_were_met(demo):
    incident = Incident.objects.get()
    assert incident.status == "completed"
    assert "invented" in incident.summary
    clocks = [*incident.clocks.all()]
    assert clocks
    assert all(one.settled_at <= one.due_at for one in clocks)
    assert incident.notes.exists()
