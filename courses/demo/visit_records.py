"""Rows of appointments with their reservations, and of sessions with passes and pulses."""

from collections.abc import Iterator, Mapping
from typing import Any

from clinics.models import Reservation
from clinics.vocabulary import ReservationReason, Role
from core.db import as_range, step
from core.vocabulary import ReservationStatus
from courses.demo.answers import asked_before, news
from courses.demo.checks import checks_of
from courses.demo.devices import Tip
from courses.demo.fire_tests import corrections, test_fires
from courses.demo.history import Booking
from courses.demo.inserting import insert, keys_ahead, link
from courses.demo.scenario import Scenario
from courses.demo.treatment import Shot, Treatment
from courses.models import Appointment, HealingWindow, Session, TreatmentPass
from courses.selectors.visits import timeline_json
from courses.slots import role_spans
from courses.vocabulary import AppointmentStatus, SessionStatus, SkinResponse, TreatmentRole
from devices.metrology import FiringSetting
from devices.models import PulseEntry
from devices.services.firing import set_as
from devices.vocabulary import PulsePurpose

KEPT_BUSY = (AppointmentStatus.BOOKED, AppointmentStatus.FULFILLED)


@step
def write_appointments(scenario: Scenario) -> dict[int, Appointment]:
    """All appointments with their reservations; by the identity of the visit."""
    rows = {id(booking.visit): _appointment(booking, scenario) for booking in scenario.bookings}
    insert(rows.values())
    through: Any = Appointment.handpieces.through
    link(
        through,
        [
            (rows[id(booking.visit)].pk, tip.row.pk)
            for booking in scenario.bookings
            for tip in _tips(booking)
        ],
        fields=("appointment_id", "handpiece_id"),
    )
    insert(
        reservation
        for booking in scenario.bookings
        if booking.status in KEPT_BUSY
        for reservation in _reservations(booking, rows[id(booking.visit)])
    )
    return rows


@step
def write_sessions(
    scenario: Scenario, appointments: Mapping[int, Appointment]
) -> tuple[dict[int, Session], dict[int, int]]:
    """All sessions with what their pre-checks found, in the order of time.

    By the identity of the treatment: the session, and the key that its window will have.
    """
    treatments = scenario.treatments()
    keys = keys_ahead(HealingWindow, len(treatments))
    windows: dict[int, int] = {}
    newest: dict[int, int] = {}
    sessions: dict[int, Session] = {}
    asked = {id(treatment): asked_before(treatment) for treatment in treatments}
    for treatment, key in zip(treatments, keys, strict=True):
        tattoos = {part.row.tattoo_id for shot in treatment.shots for part in shot.parts}
        checks = checks_of(
            treatment,
            appointment=appointments[id(treatment.visit)],
            closed_windows=sorted({newest[pk] for pk in tattoos if pk in newest}),
            asked=asked[id(treatment)],
            devices=scenario.devices,
            stock=scenario.eyewear,
        )
        sessions[id(treatment)] = _session(treatment, appointments[id(treatment.visit)], checks)
        windows[id(treatment)] = key
        newest.update(dict.fromkeys(tattoos, key))
    answers = [*(one.row for one in asked.values()), *news(scenario)]
    insert(sorted(answers, key=lambda row: row.recorded_at))
    insert(sessions.values())
    return sessions, windows


@step
def write_passes(scenario: Scenario, sessions: Mapping[int, Session]) -> None:
    """The passes with one ledger entry each, beside the test fires of the day, by time."""
    treatments = scenario.treatments()
    shots = [(treatment, shot) for treatment in treatments for shot in treatment.shots]
    entries = [
        _entry(treatment, shot, session=sessions[id(treatment)]) for treatment, shot in shots
    ]
    fires = list(test_fires(treatments, scenario.moment))
    insert(sorted([*entries, *fires], key=lambda entry: (entry.fired_at, entry.entry_key)))
    officer = scenario.organisation.first(Role.LASER_SAFETY_OFFICER)
    insert(corrections(fires, officer=officer, moment=scenario.moment))
    passes = insert(
        _pass(shot, session=sessions[id(treatment)], entry=entry)
        for (treatment, shot), entry in zip(shots, entries, strict=True)
    )
    through: Any = TreatmentPass.parts.through
    link(
        through,
        [
            (row.pk, part.row.pk)
            for row, (_, shot) in zip(passes, shots, strict=True)
            for part in shot.parts
        ],
        fields=("treatmentpass_id", "tattoopart_id"),
    )


def _appointment(booking: Booking, scenario: Scenario) -> Appointment:
    visit = booking.visit
    slot, diary = visit.slot, visit.diary
    desk = scenario.organisation.desk_at(diary.site)
    return Appointment(
        course=booking.case.course,
        clinic=diary.site.clinic,
        room=diary.rooms[slot.room_id],
        operator=diary.operators[slot.operator_id].member,
        laser=diary.lasers[slot.laser_id].row,
        starts_at=slot.start,
        ends_at=slot.end,
        timeline=timeline_json(visit.timeline),
        wavelengths_nm=list(slot.wavelengths_nm),
        status=booking.status,
        status_reason=booking.reason,
        booked_by=desk.member,
    )


def _tips(booking: Booking) -> list[Tip]:
    diary = booking.visit.diary
    return [diary.tips[position] for position in booking.visit.slot.handpiece_ids]


def _reservations(booking: Booking, appointment: Appointment) -> Iterator[Reservation]:
    visit = booking.visit
    resources = {
        TreatmentRole.ROOM: [appointment.room.resource],
        TreatmentRole.OPERATOR: [appointment.operator.resource],
        TreatmentRole.LASER: [appointment.laser.resource],
        TreatmentRole.HANDPIECE: [tip.row.resource for tip in _tips(booking)],
        TreatmentRole.PATIENT: [booking.case.patient.resource],
    }
    spans = role_spans(visit.timeline, start=visit.slot.start)
    for role, owners in resources.items():
        for resource in owners:
            for span in spans[role]:
                yield Reservation(
                    resource=resource,
                    period=as_range(span),
                    status=ReservationStatus.BUSY,
                    reason=ReservationReason.APPOINTMENT,
                    source=f"appointment:{appointment.pk}",
                )


def _session(
    treatment: Treatment, appointment: Appointment, checks: list[dict[str, Any]]
) -> Session:
    torn = any(SkinResponse.TORN_EPIDERMIS in shot.responses for shot in treatment.shots)
    return Session(
        course=treatment.case.course,
        appointment=appointment,
        clinic=appointment.clinic,
        room=appointment.room,
        laser=appointment.laser,
        operator=appointment.operator,
        status=SessionStatus.STOPPED if torn else SessionStatus.COMPLETED,
        status_reason="Torn epidermis" if torn else "",
        started_at=treatment.started_at,
        ended_at=treatment.ended_at,
        treated_on=treatment.treated_on,
        checks=checks,
        recorded_by=appointment.operator,
    )


def _entry(treatment: Treatment, shot: Shot, *, session: Session) -> PulseEntry:
    entry = PulseEntry(
        laser=treatment.laser.row,
        handpiece=shot.tip.row,
        line=shot.line.row,
        pulses=shot.pulses,
        purpose=PulsePurpose.TREATMENT,
        operator=treatment.operator.member,
        fired_at=shot.started_at,
        source=f"session:{session.pk}",
        entry_key=f"session:{session.pk}:{shot.sequence}",
    )
    set_as(entry, setting=FiringSetting(shot.spot_mm, shot.fluence_j_cm2, shot.rate_hz))
    return entry


def _pass(shot: Shot, *, session: Session, entry: PulseEntry) -> TreatmentPass:
    return TreatmentPass(
        session=session,
        sequence=shot.sequence,
        line=shot.line.row,
        handpiece=shot.tip.row,
        started_at=shot.started_at,
        spot_mm=shot.spot_mm,
        fluence_j_cm2=shot.fluence_j_cm2,
        pulse_duration_ns=shot.pulse_ns,
        rate_hz=shot.rate_hz,
        pulses=shot.pulses,
        responses=list(shot.responses),
        pulse_entry=entry,
    )
