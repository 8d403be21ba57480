"""The ledger takes what can have been fired, once, and mends mistakes by further rows."""

from datetime import timedelta

import pytest

from clinics.errors import NotAllowed
from clinics.vocabulary import Role
from core.db import command
from core.vocabulary import DeviceStatus
from devices.errors import (
    CorrectionEmpty,
    CorrectionOfCorrection,
    CorrectionTooLarge,
    DeviceInactive,
    EntryKeyReused,
    InTheFuture,
    LineNotEmitted,
    MayNotFire,
    NotFitted,
    PulsesNotPositive,
    PurposeNotAllowed,
)
from devices.models import PulseEntry
from devices.services.ledger import pulse_entry_append, pulse_entry_correct, pulse_entry_record
from devices.vocabulary import PulsePurpose
from tests.support.devices import (
    fit,
    make_fitted_handpiece,
    make_handpiece,
    make_laser,
    make_lock_out,
    make_pulse_entry,
)
from tests.support.factories import instant, make_actor, make_clinic, make_staff

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T10:00Z")
append = command(pulse_entry_append)


@pytest.fixture
def laser():
    return make_laser()


@pytest.fixture
def handpiece(laser):
    return make_fitted_handpiece(laser)


def firing(laser, handpiece, **changes):
    given = {
        "laser": laser,
        "handpiece": handpiece,
        "line": handpiece.lines.get(wavelength_nm=1064),
        "pulses": 120,
        "purpose": PulsePurpose.TREATMENT,
        "operator_id": make_staff(laser.chain).pk,
        "fired_at": NOW - timedelta(minutes=5),
        "source": "session:1",
        "entry_key": "session:1:pass:1",
        "now": NOW,
    }
    return {**given, **changes}


def refused(error, **given):
    with pytest.raises(error) as caught:
        append(**given)
    assert not PulseEntry.objects.exists()
    return caught.value


def test_appends_pulses_that_can_have_been_fired(laser, handpiece):
    entry = append(**firing(laser, handpiece))
    stored = PulseEntry.objects.get()
    assert (stored.pk, stored.pulses, stored.source) == (entry.pk, 120, "session:1")


def test_needs_an_open_transaction(transactional_db, laser, handpiece):
    with pytest.raises(RuntimeError):
        pulse_entry_append(**firing(laser, handpiece))


def test_the_same_key_and_content_gives_the_row_there_is(laser, handpiece):
    given = firing(laser, handpiece)
    assert append(**given).pk == append(**given).pk
    assert PulseEntry.objects.count() == 1


def test_the_same_entry_again_passes_although_the_laser_is_locked_out_since(laser, handpiece):
    given = firing(laser, handpiece)
    first = append(**given)
    make_lock_out(laser)
    assert append(**given).pk == first.pk


@pytest.mark.parametrize(
    "change", [{"pulses": 121}, {"source": "session:2"}, {"fired_at": NOW - timedelta(minutes=6)}]
)
def test_the_same_key_with_other_content_is_a_conflict(laser, handpiece, change):
    given = firing(laser, handpiece)
    append(**given)
    with pytest.raises(EntryKeyReused) as caught:
        append(**{**given, **change})
    assert caught.value.data["differs"] == list(change)
    assert PulseEntry.objects.count() == 1


def test_keys_of_two_lasers_do_not_meet(laser, handpiece):
    other = make_laser(laser.clinic, laser_model=laser.laser_model)
    append(**firing(laser, handpiece))
    append(**firing(other, make_fitted_handpiece(other)))
    assert PulseEntry.objects.count() == 2


@pytest.mark.parametrize("pulses", [0, -1, -(10**6)])
def test_refuses_pulses_that_are_not_positive(laser, handpiece, pulses):
    refused(PulsesNotPositive, **firing(laser, handpiece, pulses=pulses))


def test_refuses_a_correction_that_points_at_nothing(laser, handpiece):
    refused(PurposeNotAllowed, **firing(laser, handpiece, purpose=PulsePurpose.CORRECTION))


def test_allows_for_clocks_that_differ_but_not_for_the_future(laser, handpiece):
    refused(InTheFuture, **firing(laser, handpiece, fired_at=NOW + timedelta(minutes=3)))
    append(**firing(laser, handpiece, fired_at=NOW + timedelta(minutes=1)))


def test_refuses_a_handpiece_that_was_not_fitted_at_that_instant(laser):
    handpiece = make_handpiece(laser.laser_model)
    refused(NotFitted, **firing(laser, handpiece))
    fit(handpiece, laser, since=NOW - timedelta(hours=2), until=NOW - timedelta(hours=1))
    refused(NotFitted, **firing(laser, handpiece))
    refused(NotFitted, **firing(laser, handpiece, fired_at=NOW - timedelta(hours=1)))
    append(**firing(laser, handpiece, fired_at=NOW - timedelta(hours=2)))


def test_refuses_a_handpiece_on_another_laser(laser):
    other = make_laser(laser.clinic, laser_model=laser.laser_model)
    refused(NotFitted, **firing(laser, make_fitted_handpiece(other)))


def test_refuses_a_line_of_another_laser_model(laser, handpiece):
    line = make_laser(laser.clinic).laser_model.lines.first()
    refused(LineNotEmitted, **firing(laser, handpiece, line=line))


def test_refuses_a_line_that_the_handpiece_does_not_pass(laser, handpiece):
    line = handpiece.lines.get(wavelength_nm=532)
    handpiece.lines.remove(line)
    refusal = refused(LineNotEmitted, **firing(laser, handpiece, line=line))
    assert refusal.data["wavelength_nm"] == 532


@pytest.mark.parametrize("kind", ["laser", "handpiece"])
def test_refuses_a_device_out_of_service(laser, handpiece, kind):
    device = {"laser": laser, "handpiece": handpiece}[kind]
    device.status = DeviceStatus.INACTIVE
    device.save()
    refused(DeviceInactive, **firing(laser, handpiece))


def test_refuses_treatment_while_locked_out_whoever_asks(laser, handpiece):
    lock_out = make_lock_out(laser, since=NOW - timedelta(minutes=10), until=NOW)
    refusal = refused(MayNotFire, **firing(laser, handpiece, while_locked_out=True))
    assert refusal.data["lock_out"] == lock_out.pk
    append(**firing(laser, handpiece, fired_at=NOW - timedelta(minutes=11)))


def record(laser, handpiece, actor, **changes):
    fields = {
        "handpiece": handpiece,
        "line": handpiece.lines.first(),
        "pulses": 20,
        "purpose": PulsePurpose.TEST_FIRE,
        **changes,
    }
    return pulse_entry_record(
        laser_id=laser.pk, fields=fields, entry_key="by-hand", actor=actor, now=NOW
    )


def test_a_test_fire_is_entered_by_its_operator(laser, handpiece):
    actor = make_actor(Role.LASER_OPERATOR, clinic=laser.clinic)
    entry = record(laser, handpiece, actor)
    assert (entry.operator_id, entry.fired_at) == (actor.staff_id, NOW)


@pytest.mark.parametrize("purpose", [PulsePurpose.TEST_FIRE, PulsePurpose.CALIBRATION])
def test_while_locked_out_only_the_safety_officer_fires(laser, handpiece, purpose):
    make_lock_out(laser)
    operator = make_actor(Role.LASER_OPERATOR, clinic=laser.clinic)
    with pytest.raises(MayNotFire):
        record(laser, handpiece, operator, purpose=purpose)
    officer = make_actor(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)
    assert record(laser, handpiece, officer, purpose=purpose).pulses == 20


def test_a_safety_officer_of_another_clinic_is_not_one_here(laser, handpiece):
    elsewhere = make_clinic(laser.chain)
    with pytest.raises(NotAllowed):
        record(laser, handpiece, make_actor(Role.LASER_SAFETY_OFFICER, clinic=elsewhere))
    assert not PulseEntry.objects.exists()


@pytest.mark.parametrize("purpose", [PulsePurpose.TREATMENT, PulsePurpose.CORRECTION])
def test_treatment_and_corrections_are_not_entered_by_hand(laser, handpiece, purpose):
    with pytest.raises(PurposeNotAllowed):
        record(
            laser, handpiece, make_actor(Role.LASER_OPERATOR, clinic=laser.clinic), purpose=purpose
        )


@pytest.fixture
def officer(laser):
    return make_actor(Role.LASER_SAFETY_OFFICER, clinic=laser.clinic)


@pytest.fixture
def entry(laser, handpiece):
    return make_pulse_entry(laser, handpiece, pulses=100, fired_at=NOW - timedelta(days=3))


def correct(entry, pulses, actor, *, key="fix-1", reason="counter was read twice"):
    return pulse_entry_correct(
        entry=entry, pulses=pulses, reason=reason, entry_key=key, actor=actor
    )


def test_a_correction_is_a_signed_row_that_points_at_the_entry(entry, officer):
    correction = correct(entry, -30, officer)
    assert (correction.corrects_id, correction.pulses) == (entry.pk, -30)
    assert (correction.fired_at, correction.operator_id) == (entry.fired_at, officer.staff_id)
    entry.refresh_from_db()
    assert entry.pulses == 100


def test_corrections_never_leave_fewer_than_zero_pulses(entry, officer):
    correct(entry, -60, officer)
    with pytest.raises(CorrectionTooLarge) as caught:
        correct(entry, -41, officer, key="fix-2")
    assert caught.value.data["pulses_left"] == 40
    correct(entry, -40, officer, key="fix-3")
    assert PulseEntry.objects.count() == 3


def test_the_same_correction_again_changes_nothing(entry, officer):
    assert correct(entry, -100, officer).pk == correct(entry, -100, officer).pk
    with pytest.raises(EntryKeyReused):
        correct(entry, -99, officer)


def test_a_correction_is_not_corrected(entry, officer):
    with pytest.raises(CorrectionOfCorrection):
        correct(correct(entry, -10, officer), 5, officer, key="fix-2")


@pytest.mark.parametrize(("pulses", "reason"), [(0, "why"), (-5, "  ")])
def test_a_correction_needs_a_number_and_a_reason(entry, officer, pulses, reason):
    with pytest.raises(CorrectionEmpty):
        correct(entry, pulses, officer, reason=reason)
    assert PulseEntry.objects.count() == 1


def test_only_a_safety_officer_of_the_clinic_corrects(entry):
    for actor in (
        make_actor(Role.LASER_OPERATOR, clinic=entry.laser.clinic),
        make_actor(Role.LASER_SAFETY_OFFICER, clinic=make_clinic(entry.laser.chain)),
    ):
        with pytest.raises(NotAllowed):
            correct(entry, -1, actor)
    assert PulseEntry.objects.count() == 1
