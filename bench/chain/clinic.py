"""One clinic of the big chain: everything it has, its patients, its past and its coming visits."""

import json
import random
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import count
from zoneinfo import ZoneInfo

from bench.chain.copying import Sheets
from bench.chain.diary import (
    CLOSES,
    LASERS,
    OPENS,
    OPERATORS,
    ROOMS,
    Booking,
    day_bookings,
    fill_of_future,
    off_duty,
)
from clinics.hours.wall_time import instant_at, local_day_start
from clinics.models import (
    Clinic,
    Credential,
    OpeningRule,
    Reservation,
    Resource,
    Room,
    Shift,
    StaffMember,
)
from courses.models import (
    Appointment,
    ContactPoint,
    Course,
    HealingWindow,
    Patient,
    Session,
    Tattoo,
    TattooPart,
    TreatmentPass,
)
from courses.vocabulary import TreatmentRole
from devices.models import Fitting, Handpiece, Laser, PulseEntry

ZONES = (("Europe/Berlin", "DE"), ("Europe/Lisbon", "PT"), ("Europe/Madrid", "ES"), ("UTC", ""))
SITES = ("forearm", "upper_arm", "lower_leg", "upper_trunk", "hand")
COLOURS = (("black",), ("black",), ("black", "red"), ("blue", "black"), ("green",))
LINES = ((532, 1064), (532, 755, 1064), (755,), (694, 1064), (532, 1064))
LONG_AGO = "2020-01-01"
EARLIEST_DAYS, ADVISED_DAYS = 42, 57
PAST_FILL = 0.75


@dataclass(slots=True)
class Numbers:
    """The next primary key of every table, and of lines by wavelength and model."""

    counters: dict[type, "count[int]"] = field(default_factory=dict)
    model_ids: list[int] = field(default_factory=list)
    line_ids: dict[tuple[int, int], int] = field(default_factory=dict)

    def next(self, model: type) -> int:
        return next(self.counters.setdefault(model, count(1)))


@dataclass(frozen=True, slots=True)
class Wanted:
    """How big one clinic is to be, and around which day."""

    patients: int
    past_rows: float
    future_rows: float
    future_weeks: int
    today: date
    seed: int


@dataclass(slots=True)
class Invented:
    """One clinic while it is being made: the ids of what it has, in order of position."""

    sheets: Sheets
    numbers: Numbers
    chain_id: int
    id: int
    zone: ZoneInfo
    country: str
    chance: random.Random
    rooms: list[tuple[int, int]] = field(default_factory=list)
    operators: list[tuple[int, int]] = field(default_factory=list)
    lasers: list[tuple[int, int]] = field(default_factory=list)
    handpieces: list[tuple[int, int]] = field(default_factory=list)
    patients: list[tuple[int, int, int, int]] = field(default_factory=list)

    def resource(self, kind: str, *, here: bool = True) -> tuple[int, tuple[object, ...]]:
        pk = self.numbers.next(Resource)
        return pk, (pk, self.chain_id, kind, self.id if here else None)


def invent_clinic(
    sheets: Sheets, numbers: Numbers, wanted: Wanted, *, chain_id: int, number: int
) -> Invented:
    """Write one clinic with all that hangs on it."""
    zone, country = ZONES[number % len(ZONES)]
    clinic = Invented(
        sheets=sheets,
        numbers=numbers,
        chain_id=chain_id,
        id=numbers.next(Clinic),
        zone=ZoneInfo(zone),
        country=country,
        chance=random.Random(wanted.seed * 1_000_003 + number),
    )
    _places(clinic, number)
    _people(clinic, wanted)
    _devices(clinic)
    _patients(clinic, wanted)
    _visits(clinic, wanted)
    return clinic


def _places(clinic: Invented, number: int) -> None:
    sheets, numbers = clinic.sheets, clinic.numbers
    sheets.copy(
        Clinic,
        ("id", "chain_id", "name", "time_zone", "country"),
        [(clinic.id, clinic.chain_id, f"Clinic {number:03}", clinic.zone.key, clinic.country)],
    )
    sheets.copy(
        OpeningRule,
        ("id", "clinic_id", "weekday", "opens", "closes", "valid_during"),
        [
            (numbers.next(OpeningRule), clinic.id, day, str(OPENS), str(CLOSES), f"[{LONG_AGO},)")
            for day in range(1, 7)
        ],
    )
    resources, rooms = [], []
    for position in range(ROOMS):
        resource_id, row = clinic.resource("room")
        clinic.rooms.append((numbers.next(Room), resource_id))
        resources.append(row)
        lines = sorted({nm for some in LINES for nm in some})
        rooms.append((clinic.rooms[-1][0], clinic.id, resource_id, f"Room {position + 1}", lines))
    sheets.copy(Resource, ("id", "chain_id", "kind", "clinic_id"), resources)
    sheets.copy(Room, ("id", "clinic_id", "resource_id", "name", "cleared_wavelengths_nm"), rooms)


def _people(clinic: Invented, wanted: Wanted) -> None:
    sheets, numbers = clinic.sheets, clinic.numbers
    resources, people, credentials, shifts = [], [], [], []
    for position in range(OPERATORS):
        resource_id, row = clinic.resource("staff", here=False)
        pk = numbers.next(StaffMember)
        clinic.operators.append((pk, resource_id))
        resources.append(row)
        people.append((pk, clinic.chain_id, resource_id, f"Operator {pk}"))
        credentials.append((numbers.next(Credential), pk, "laser_operation", f"[{LONG_AGO},)"))
        for offset in range(-28, wanted.future_weeks * 7 + 14):
            day = wanted.today + timedelta(days=offset)
            if not off_duty(position, day):
                shifts.append((numbers.next(Shift), pk, clinic.id, _hours(clinic.zone, day)))
    sheets.copy(Resource, ("id", "chain_id", "kind", "clinic_id"), resources)
    sheets.copy(StaffMember, ("id", "chain_id", "resource_id", "name"), people)
    sheets.copy(Credential, ("id", "staff_member_id", "kind", "valid_during"), credentials)
    sheets.copy(Shift, ("id", "staff_member_id", "clinic_id", "period"), shifts)


def _hours(zone: ZoneInfo, day: date) -> str:
    opens, closes = instant_at(day, OPENS, zone=zone), instant_at(day, CLOSES, zone=zone)
    return f"[{opens.isoformat()},{closes.isoformat()})"


def _devices(clinic: Invented) -> None:
    sheets, numbers = clinic.sheets, clinic.numbers
    resources, lasers, tips, tip_lines, fittings = [], [], [], [], []
    for position in range(LASERS):
        laser_resource, row = clinic.resource("laser")
        tip_resource, tip_row = clinic.resource("handpiece")
        resources += [row, tip_row]
        laser, tip = numbers.next(Laser), numbers.next(Handpiece)
        clinic.lasers.append((laser, laser_resource))
        clinic.handpieces.append((tip, tip_resource))
        model = numbers.model_ids[position]
        lasers.append((laser, clinic.chain_id, clinic.id, laser_resource, model, f"L{laser}"))
        tips.append((tip, clinic.chain_id, tip_resource, f"H{tip}", (2, 4, 6)))
        for nm in LINES[position]:
            line = numbers.line_ids[model, nm]
            tip_lines.append((numbers.next(Handpiece.lines.through), tip, line))
        fittings.append((numbers.next(Fitting), laser, tip, f"[{LONG_AGO},)"))
    sheets.copy(Resource, ("id", "chain_id", "kind", "clinic_id"), resources)
    columns = ("id", "chain_id", "clinic_id", "resource_id", "laser_model_id", "serial")
    sheets.copy(Laser, columns, lasers)
    sheets.copy(Handpiece, ("id", "chain_id", "resource_id", "serial", "spot_sizes_mm"), tips)
    sheets.copy(Handpiece.lines.through, ("id", "handpiece_id", "emissionline_id"), tip_lines)
    sheets.copy(Fitting, ("id", "laser_id", "handpiece_id", "period"), fittings)


def _patients(clinic: Invented, wanted: Wanted) -> None:
    """One tattoo and one running course each."""
    numbers, chance = clinic.numbers, clinic.chance
    resources, patients, contacts, tattoos, parts, courses, of_course = ([] for _ in range(7))
    for _ in range(wanted.patients):
        resource_id, row = clinic.resource("patient", here=False)
        patient, tattoo = numbers.next(Patient), numbers.next(Tattoo)
        course = numbers.next(Course)
        resources.append(row)
        born = f"{chance.randint(1950, 2004)}-{chance.randint(1, 12):02}-15"
        own = (patient, clinic.chain_id, clinic.id, resource_id, f"Given{patient % 997}")
        patients.append((*own, f"Invented{patient}", born, chance.choice((1, 2, 2, 3, 3, 4, 5))))
        mail = f"patient-{patient}@example.invalid"
        contacts.append((numbers.next(ContactPoint), patient, "email", mail, LONG_AGO, "invented"))
        size = chance.randint(10, 60)
        tattoos.append((tattoo, patient, chance.choice(SITES), size, "moderate"))
        colours = chance.choice(COLOURS)
        for colour in colours:
            part = numbers.next(TattooPart)
            parts.append((part, tattoo, colour, "solid_fill", 1 / len(colours)))
        courses.append((course, clinic.chain_id, clinic.id, patient, "active", LONG_AGO))
        of_course.append((numbers.next(Course.tattoos.through), course, tattoo))
        clinic.patients.append((patient, resource_id, course, part))
    copy = clinic.sheets.copy
    copy(Resource, ("id", "chain_id", "kind", "clinic_id"), resources)
    names = ("given_name", "family_name", "birth_date", "skin_type")
    copy(Patient, ("id", "chain_id", "home_clinic_id", "resource_id", *names), patients)
    consent = ("consent_at", "consent_source")
    copy(ContactPoint, ("id", "patient_id", "channel", "address", *consent), contacts)
    copy(Tattoo, ("id", "patient_id", "site", "area_cm2", "ink_amount"), tattoos)
    copy(TattooPart, ("id", "tattoo_id", "colour", "technique", "share"), parts)
    status = ("status", "started_on")
    copy(Course, ("id", "chain_id", "clinic_id", "patient_id", *status), courses)
    copy(Course.tattoos.through, ("id", "course_id", "tattoo_id"), of_course)


def _visits(clinic: Invented, wanted: Wanted) -> None:
    """The past, oldest first, then the coming weeks; patients take turns."""
    past, rows, day = [], 0.0, wanted.today
    while rows < wanted.past_rows:
        day -= timedelta(days=1)
        found = list(day_bookings(day, zone=clinic.zone, filled=PAST_FILL, chance=clinic.chance))
        rows += sum(len(one.shape.busy) for one in found)
        past[:0] = found
    future = []
    fills = fill_of_future(rows_a_clinic=wanted.future_rows, weeks=wanted.future_weeks)
    for number, filled in enumerate(fills):
        for offset in range(1, 8):
            day = wanted.today + timedelta(days=number * 7 + offset)
            future += day_bookings(day, zone=clinic.zone, filled=filled, chance=clinic.chance)
    turn = _book(clinic, past, turn=0, done=True, wanted=wanted)
    _book(clinic, future, turn=turn, done=False, wanted=wanted)


def _book(
    clinic: Invented, bookings: list[Booking], *, turn: int, done: bool, wanted: Wanted
) -> int:
    numbers, tables = clinic.numbers, Tables()
    for booking in bookings:
        patient = clinic.patients[turn % len(clinic.patients)]
        turn += 1
        appointment = numbers.next(Appointment)
        end = booking.start + timedelta(minutes=booking.shape.minutes)
        room, room_resource = clinic.rooms[booking.room]
        operator, operator_resource = clinic.operators[booking.operator]
        laser, laser_resource = clinic.lasers[booking.laser]
        tip, tip_resource = clinic.handpieces[booking.laser]
        resources = {
            TreatmentRole.ROOM: room_resource,
            TreatmentRole.OPERATOR: operator_resource,
            TreatmentRole.LASER: laser_resource,
            TreatmentRole.HANDPIECE: tip_resource,
            TreatmentRole.PATIENT: patient[1],
        }
        source = f"appointment:{appointment}"
        for role, begin, until in booking.shape.busy:
            since, to = (booking.start + timedelta(minutes=one) for one in (begin, until))
            period = f"[{since.isoformat()},{to.isoformat()})"
            reservation = numbers.next(Reservation)
            tables.reservations.append((reservation, resources[role], period, source))
        nm = LINES[booking.laser][-1]
        status = "fulfilled" if done else "booked"
        earliest = booking.day + timedelta(days=EARLIEST_DAYS)
        where = (clinic.id, room, operator, laser)
        when = (booking.start.isoformat(), end.isoformat(), booking.shape.stored)
        opens = local_day_start(earliest, clinic.zone).isoformat()
        advised = booking.day + timedelta(days=ADVISED_DAYS)
        tables.appointments.append(
            (appointment, patient[2], *where, *when, f"[{nm}]", status, opens, advised)
        )
        tables.tips.append((numbers.next(Appointment.handpieces.through), appointment, tip))
        if done:
            line = numbers.line_ids[numbers.model_ids[booking.laser], nm]
            _treat(clinic, tables, booking, patient, appointment, (tip, line), end, wanted)
    tables.write(clinic.sheets)
    return turn


def _treat(clinic, tables, booking, patient, appointment, device, end, wanted) -> None:
    """A completed session of one pass, its pulses, and its healing window."""
    numbers = clinic.numbers
    session, entry = numbers.next(Session), numbers.next(PulseEntry)
    one = numbers.next(TreatmentPass)
    window = numbers.next(HealingWindow)
    tip, line = device
    operator, laser = clinic.operators[booking.operator][0], clinic.lasers[booking.laser][0]
    start = booking.start.isoformat()
    pulses = 20 * booking.shape.minutes
    tables.sessions.append(
        (session, patient[2], appointment, clinic.id, clinic.rooms[booking.room][0], laser)
        + (operator, "completed", start, end.isoformat(), booking.day)
    )
    tables.entries.append(
        (entry, laser, tip, line, pulses, "treatment", operator, start)
        + (f"session:{session}", f"session:{session}:1")
    )
    tables.passes.append((one, session, 1, line, tip, start, 4, 2.5, 6, 5, pulses, entry))
    tables.pass_parts.append((numbers.next(TreatmentPass.parts.through), one, patient[3]))
    earliest = booking.day + timedelta(days=EARLIEST_DAYS)
    advised = booking.day + timedelta(days=ADVISED_DAYS)
    closes = local_day_start(earliest, clinic.zone)
    state = "closed" if closes <= datetime.combine(wanted.today, OPENS, tzinfo=UTC) else "open"
    tables.windows.append(
        (window, session, patient[2], state, booking.day, earliest, advised, closes)
    )


@dataclass(slots=True)
class Tables:
    """Rows of visits on their way."""

    reservations: list = field(default_factory=list)
    appointments: list = field(default_factory=list)
    tips: list = field(default_factory=list)
    sessions: list = field(default_factory=list)
    entries: list = field(default_factory=list)
    passes: list = field(default_factory=list)
    pass_parts: list = field(default_factory=list)
    windows: list = field(default_factory=list)

    def write(self, sheets: Sheets) -> None:
        where = ("clinic_id", "room_id", "operator_id", "laser_id")
        when = ("starts_at", "ends_at", "timeline", "wavelengths_nm", "status")
        follow = ("next_earliest_at", "next_advised_on")
        sheets.copy(Appointment, ("id", "course_id", *where, *when, *follow), self.appointments)
        through = ("id", "appointment_id", "handpiece_id")
        sheets.copy(Appointment.handpieces.through, through, self.tips)
        columns = ("id", "resource_id", "period", "source")
        reasoned = [(*row, "appointment") for row in self.reservations]
        sheets.copy(Reservation, (*columns, "reason"), reasoned)
        where = ("clinic_id", "room_id", "laser_id", "operator_id")
        when = ("status", "started_at", "ended_at", "treated_on")
        sheets.copy(Session, ("id", "course_id", "appointment_id", *where, *when), self.sessions)
        fired = ("pulses", "purpose", "operator_id", "fired_at", "source", "entry_key")
        sheets.copy(PulseEntry, ("id", "laser_id", "handpiece_id", "line_id", *fired), self.entries)
        settings = ("spot_mm", "fluence_j_cm2", "pulse_duration_ns", "rate_hz", "pulses")
        columns = ("id", "session_id", "sequence", "line_id", "handpiece_id", "started_at")
        sheets.copy(TreatmentPass, (*columns, *settings, "pulse_entry_id"), self.passes)
        through = ("id", "treatmentpass_id", "tattoopart_id")
        sheets.copy(TreatmentPass.parts.through, through, self.pass_parts)
        dates = ("opened_on", "earliest_on", "advised_on", "closes_at")
        sheets.copy(HealingWindow, ("id", "session_id", "course_id", "state", *dates), self.windows)
