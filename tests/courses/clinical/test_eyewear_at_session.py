"""Before a session counts: eyewear for everyone in the room, for all that the laser emits."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.vocabulary import Role
from courses.models import Session
from devices.models import AccompanyingEmission, Eyewear, PulseEntry
from tests.support.api import assert_problem
from tests.support.courses import make_ward
from tests.support.devices import make_eyewear, make_eyewear_policy
from tests.support.factories import number

pytestmark = pytest.mark.django_db


@pytest.fixture
def bare(db):
    """A ward without eyewear."""
    return make_ward(pairs=0)


@pytest.fixture
def operator(bare):
    return bare.caller(Role.LASER_OPERATOR)


def record(operator, ward, **changes):
    return operator.post("/sessions", ward.session_body(**changes), key=f"key-{number()}")


def eyewear_of(checks):
    return [one for one in checks if one["id"] == "eyewear_fits"]


def refused(answer):
    problem = assert_problem(answer, 422, "session_refused")
    assert (Session.objects.count(), PulseEntry.objects.count()) == (0, 0)
    assert {one["id"] for one in problem["checks"]} == {"eyewear_fits"}
    assert not problem["overridable"]
    return eyewear_of(problem["checks"])


def test_without_a_fitting_pair_it_is_refused_with_the_wavelength_and_what_would_fit(
    operator, bare
):
    [check] = refused(record(operator, bare))
    assert check["numbers"]["lacking_nm"] == [1064]
    assert check["numbers"]["needed"][0].startswith("1064 nm: OD")
    assert "LB" in check["detail"]
    assert check["pointer"] == "/room"


def test_no_clinician_overrides_it(bare):
    clinician = bare.caller(Role.TREATING_CLINICIAN)
    answer = record(clinician, bare, override_reason="there is no other day")
    assert_problem(answer, 422, "session_refused")


def test_with_pairs_for_operator_and_patient_it_is_recorded_with_what_fitted(operator, bare):
    labels = {one.label for one in make_eyewear(bare.clinic, pairs=2)}
    answer = record(operator, bare)
    assert answer.status_code == 201, answer.json()
    [check] = eyewear_of(answer.json()["checks"])
    assert (check["result"], set(check["numbers"]["fitting"])) == ("passed", labels)


def test_everyone_else_who_is_present_needs_a_pair(operator, bare):
    make_eyewear(bare.clinic, pairs=2)
    [check] = refused(record(operator, bare, others_present=1))
    assert "2 fitting pairs" in check["detail"]
    make_eyewear(bare.clinic)
    assert record(operator, bare, others_present=1).status_code == 201


def test_a_doubled_line_asks_for_both_wavelengths(operator, bare):
    make_eyewear(bare.clinic, pairs=2, densities=[], marks=["532 DIRM LB10"])
    passes = [bare.pass_body(line=bare.line(532).pk, fluence_j_cm2=2)]
    [check] = refused(record(operator, bare, passes=passes))
    assert check["numbers"]["lacking_nm"] == [1064]
    Eyewear.objects.update(marks=["532 DIRM LB10", "1064 DIRM LB10"])
    assert record(operator, bare, passes=passes).status_code == 201


def test_what_is_recorded_to_leave_the_laser_with_a_line_counts_too(operator, bare):
    make_eyewear(bare.clinic, pairs=2, densities=[], marks=["1064 DIRM LB10"])
    AccompanyingEmission.objects.create(line=bare.line(), wavelength_nm=808, max_energy_j=0.01)
    [check] = refused(record(operator, bare))
    assert check["numbers"]["lacking_nm"] == [808]


def test_a_line_that_the_tables_do_not_reach_is_refused(operator, bare):
    make_eyewear(bare.clinic, pairs=2)
    bare.laser.laser_model.lines.filter(wavelength_nm=1064).update(pulse_min_ns=0.05)
    [check] = refused(record(operator, bare))
    assert "cannot be told" in check["detail"]
    assert "5e-11" in check["detail"]


@pytest.mark.parametrize(("rule", "results"), [("warn", ["warning"]), ("off", [])])
def test_a_chain_may_only_be_told_or_not_ask(operator, bare, rule, results):
    make_eyewear_policy(bare.chain, at_session=rule)
    answer = record(operator, bare)
    assert answer.status_code == 201, answer.json()
    assert [one["result"] for one in eyewear_of(answer.json()["checks"])] == results


def test_beforehand_every_line_of_the_laser_is_looked_at(operator, bare):
    make_eyewear(bare.clinic, pairs=2, densities=[], marks=["1064 DIRM LB10"])
    body = bare.session_body(passes=[])
    answer = operator.post("/sessions/preview", body)
    found = {
        one["numbers"]["wavelength_nm"]: one["result"]
        for one in eyewear_of(answer.json()["checks"])
    }
    assert found == {532: "failed", 1064: "passed"}


def test_the_check_costs_the_same_for_two_pairs_and_for_twelve(operator, bare):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            answer = operator.post("/sessions/preview", bare.session_body())
        assert answer.status_code == 200, answer.json()
        return len(seen)

    make_eyewear(bare.clinic, pairs=2)
    queries()
    few = queries()
    make_eyewear(bare.clinic, pairs=10)
    assert queries() == few
