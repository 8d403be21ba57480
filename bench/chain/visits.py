"""The visits of one clinic as rows: appointments with reservations, and what was treated."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from bench.chain.diary import OPENS, Booking, day_bookings, fill_of_future
from bench.chain.layout import LINES, Invented, Person
from clinics.hours.wall_time import local_day_start
from clinics.models import Reservation
from courses.models import Appointment, HealingWindow, Session, TreatmentPass
from courses.vocabulary import TreatmentRole
from devices.models import PulseEntry

EARLIEST, ADVISED = timedelta(days=42), timedelta(days=57)
PAST_FILL = 0.75
PLACE = ("clinic_id", "room_id", "operator_id", "laser_id")
TIPS, PARTS = Appointment.handpieces.through, TreatmentPass.parts.through

COLUMNS = {
    Appointment: (
        *("id", "course_id", *PLACE, "starts_at", "ends_at", "timeline", "wavelengths_nm"),
        *("status", "next_earliest_at", "next_advised_on"),
    ),
    TIPS: ("id", "appointment_id", "handpiece_id"),
    Reservation: ("id", "resource_id", "period", "source", "reason"),
    Session: (
        *("id", "course_id", "appointment_id", *PLACE, "status"),
        *("started_at", "ended_at", "treated_on"),
    ),
    PulseEntry: (
        *("id", "laser_id", "handpiece_id", "line_id", "pulses", "purpose", "operator_id"),
        *("fired_at", "source", "entry_key"),
    ),
    TreatmentPass: (
        *("id", "session_id", "sequence", "line_id", "handpiece_id", "started_at", "spot_mm"),
        *("fluence_j_cm2", "pulse_duration_ns", "rate_hz", "pulses", "pulse_entry_id"),
    ),
    PARTS: ("id", "treatmentpass_id", "tattoopart_id"),
    HealingWindow: (
        *("id", "session_id", "course_id", "state", "opened_on", "earliest_on", "advised_on"),
        "closes_at",
    ),
}


def write_visits(clinic: Invented) -> None:
    """The past, oldest first, then the coming weeks; patients take turns."""
    wanted = clinic.wanted
    past: list[list[Booking]] = []
    rows, day = 0.0, wanted.today
    while rows < wanted.past_rows:
        day -= timedelta(days=1)
        past.append(_day(clinic, day, PAST_FILL))
        rows += sum(len(one.shape.busy) for one in past[-1])
    future = [
        _day(clinic, wanted.today + timedelta(days=7 * week + offset), filled)
        for week, filled in enumerate(
            fill_of_future(rows_a_clinic=wanted.future_rows, weeks=wanted.future_weeks)
        )
        for offset in range(1, 8)
    ]
    writer = Writer(clinic)
    for bookings in reversed(past):
        writer.add(bookings, done=True)
    for bookings in future:
        writer.add(bookings, done=False)
    writer.write()


def _day(clinic: Invented, day, filled: float) -> list[Booking]:
    return list(day_bookings(day, zone=clinic.zone, filled=filled, chance=clinic.chance))


@dataclass(frozen=True, slots=True)
class Visit:
    """A booking with the ids of all that is in it."""

    booking: Booking
    person: Person
    appointment: int
    room: int
    operator: int
    laser: int
    tip: int
    nm: int

    @property
    def start(self) -> str:
        return self.booking.start.isoformat()

    @property
    def end(self) -> str:
        return (self.booking.start + timedelta(minutes=self.booking.shape.minutes)).isoformat()


class Writer:
    """Collects the rows of one clinic's visits, table by table."""

    def __init__(self, clinic: Invented) -> None:
        self.clinic = clinic
        self.rows: dict[type, list[tuple]] = defaultdict(list)
        self.turn = 0

    def add(self, bookings: Iterable[Booking], *, done: bool) -> None:
        """Rows of visits, treated or still to come."""
        for booking in bookings:
            visit = self._visit(booking)
            self._book(visit, status="fulfilled" if done else "booked")
            if done:
                self._treat(visit)

    def write(self) -> None:
        """Copy everything."""
        for model, columns in COLUMNS.items():
            self.clinic.sheets.copy(model, columns, self.rows[model])

    def _visit(self, booking: Booking) -> Visit:
        clinic = self.clinic
        person = clinic.patients[self.turn % len(clinic.patients)]
        self.turn += 1
        return Visit(
            booking=booking,
            person=person,
            appointment=clinic.next(Appointment),
            room=clinic.rooms[booking.room].id,
            operator=clinic.operators[booking.operator].id,
            laser=clinic.lasers[booking.laser].id,
            tip=clinic.handpieces[booking.laser].id,
            nm=LINES[booking.laser][-1],
        )

    def _book(self, visit: Visit, *, status: str) -> None:
        clinic, booking = self.clinic, visit.booking
        place = (clinic.id, visit.room, visit.operator, visit.laser)
        planned = (visit.start, visit.end, booking.shape.stored, f"[{visit.nm}]", status)
        follow = (_opens(clinic, booking), booking.day + ADVISED)
        own = (visit.appointment, visit.person.course)
        self.rows[Appointment].append((*own, *place, *planned, *follow))
        self.rows[TIPS].append((clinic.next(TIPS), visit.appointment, visit.tip))
        resources = {
            TreatmentRole.ROOM: clinic.rooms[booking.room].resource,
            TreatmentRole.OPERATOR: clinic.operators[booking.operator].resource,
            TreatmentRole.LASER: clinic.lasers[booking.laser].resource,
            TreatmentRole.HANDPIECE: clinic.handpieces[booking.laser].resource,
            TreatmentRole.PATIENT: visit.person.resource,
        }
        source = f"appointment:{visit.appointment}"
        for role, begin, until in booking.shape.busy:
            since, to = (booking.start + timedelta(minutes=one) for one in (begin, until))
            period = f"[{since.isoformat()},{to.isoformat()})"
            row = (clinic.next(Reservation), resources[role], period, source, "appointment")
            self.rows[Reservation].append(row)

    def _treat(self, visit: Visit) -> None:
        """A completed session of one pass, its pulses, and its healing window."""
        clinic, booking = self.clinic, visit.booking
        session, entry, one = map(clinic.next, (Session, PulseEntry, TreatmentPass))
        line, pulses = clinic.line_of(booking.laser, visit.nm), 20 * booking.shape.minutes
        place = (clinic.id, visit.room, visit.operator, visit.laser)
        when = ("completed", visit.start, visit.end, booking.day)
        self.rows[Session].append((session, visit.person.course, visit.appointment, *place, *when))
        source = f"session:{session}"
        fired = (visit.laser, visit.tip, line, pulses, "treatment", visit.operator, visit.start)
        self.rows[PulseEntry].append((entry, *fired, source, f"{source}:1"))
        settings = (4, 2.5, 6, 5, pulses)
        own = (one, session, 1, line, visit.tip, visit.start)
        self.rows[TreatmentPass].append((*own, *settings, entry))
        self.rows[PARTS].append((clinic.next(PARTS), one, visit.person.part))
        closes = _opens(clinic, booking)
        today = datetime.combine(clinic.wanted.today, OPENS, tzinfo=UTC)
        state = "closed" if closes <= today else "open"
        dates = (booking.day, booking.day + EARLIEST, booking.day + ADVISED, closes)
        window = clinic.next(HealingWindow)
        self.rows[HealingWindow].append((window, session, visit.person.course, state, *dates))


def _opens(clinic: Invented, booking: Booking) -> datetime:
    return local_day_start(booking.day + EARLIEST, clinic.zone)
