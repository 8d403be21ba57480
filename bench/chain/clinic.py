"""One clinic of the big chain: everything it has, its patients, its past and its coming visits."""

import random
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from bench.chain.copying import Sheets
from bench.chain.diary import CLOSES, LASERS, OPENS, OPERATORS, ROOMS, off_duty
from bench.chain.layout import LINES, LONG_AGO, Invented, Numbers, Own, Person, Wanted
from bench.chain.visits import write_visits
from clinics.hours.wall_time import instant_at
from clinics.models import Clinic, Credential, OpeningRule, Resource, Room, Shift, StaffMember
from core.encryption import blind_index
from core.secrets_at_rest import encrypt
from courses.models import ContactPoint, Course, Patient, Tattoo, TattooPart
from devices.models import Fitting, Handpiece, Laser

ZONES = (("Europe/Berlin", "DE"), ("Europe/Lisbon", "PT"), ("Europe/Madrid", "ES"), ("UTC", ""))
SITES = ("forearm", "upper_arm", "lower_leg", "upper_trunk", "hand")
COLOURS = (("black",), ("black",), ("black", "red"), ("blue", "black"), ("green",))
RESOURCE = ("id", "chain_id", "kind", "clinic_id")


# Every purpose; the ledger of consents behind it is left out, as nothing measured reads it.
ALLOWED = ("aftercare", "recall", "reminder")


def invent_clinic(
    sheets: Sheets, numbers: Numbers, wanted: Wanted, *, chain_id: int, number: int
) -> Invented:
    """Write one clinic with all that hangs on it."""
    zone, country = ZONES[number % len(ZONES)]
    clinic = Invented(
        sheets=sheets,
        numbers=numbers,
        wanted=wanted,
        chain_id=chain_id,
        id=numbers.next(Clinic),
        zone=ZoneInfo(zone),
        country=country,
        chance=random.Random(wanted.seed * 1_000_003 + number),
    )
    _places(clinic, number)
    _people(clinic)
    _devices(clinic)
    _patients(clinic)
    write_visits(clinic)
    return clinic


def _places(clinic: Invented, number: int) -> None:
    clinic.sheets.copy(
        Clinic,
        ("id", "chain_id", "name", "time_zone", "country"),
        [(clinic.id, clinic.chain_id, f"Clinic {number:03}", clinic.zone.key, clinic.country)],
    )
    clinic.sheets.copy(
        OpeningRule,
        ("id", "clinic_id", "weekday", "opens", "closes", "valid_during"),
        [
            (clinic.next(OpeningRule), clinic.id, day, str(OPENS), str(CLOSES), f"[{LONG_AGO},)")
            for day in range(1, 7)
        ],
    )
    resources, rooms = [], []
    lines = sorted({nm for some in LINES for nm in some})
    for position in range(ROOMS):
        resource, row = clinic.resource("room")
        room = Own(clinic.next(Room), resource)
        clinic.rooms.append(room)
        resources.append(row)
        rooms.append((room.id, clinic.id, resource, f"Room {position + 1}", lines))
    clinic.sheets.copy(Resource, RESOURCE, resources)
    columns = ("id", "clinic_id", "resource_id", "name", "cleared_wavelengths_nm")
    clinic.sheets.copy(Room, columns, rooms)


def _people(clinic: Invented) -> None:
    resources, people, credentials, shifts = [], [], [], []
    for position in range(OPERATORS):
        resource, row = clinic.resource("staff", here=False)
        person = Own(clinic.next(StaffMember), resource)
        clinic.operators.append(person)
        resources.append(row)
        people.append((person.id, clinic.chain_id, resource, f"Operator {person.id}"))
        held = (clinic.next(Credential), person.id, "laser_operation", f"[{LONG_AGO},)")
        credentials.append(held)
        for offset in range(-28, clinic.wanted.future_weeks * 7 + 14):
            day = clinic.wanted.today + timedelta(days=offset)
            if not off_duty(position, day):
                hours = _hours(clinic.zone, day)
                shifts.append((clinic.next(Shift), person.id, clinic.id, hours))
    copy = clinic.sheets.copy
    copy(Resource, RESOURCE, resources)
    copy(StaffMember, ("id", "chain_id", "resource_id", "name"), people)
    copy(Credential, ("id", "staff_member_id", "kind", "valid_during"), credentials)
    copy(Shift, ("id", "staff_member_id", "clinic_id", "period"), shifts)


def _hours(zone: ZoneInfo, day: date) -> str:
    opens, closes = instant_at(day, OPENS, zone=zone), instant_at(day, CLOSES, zone=zone)
    return f"[{opens.isoformat()},{closes.isoformat()})"


def _devices(clinic: Invented) -> None:
    resources, lasers, tips, tip_lines, fittings = [], [], [], [], []
    through = Handpiece.lines.through
    for position in range(LASERS):
        laser_resource, row = clinic.resource("laser")
        tip_resource, tip_row = clinic.resource("handpiece")
        resources += [row, tip_row]
        laser = Own(clinic.next(Laser), laser_resource)
        tip = Own(clinic.next(Handpiece), tip_resource)
        clinic.lasers.append(laser)
        clinic.handpieces.append(tip)
        model = clinic.numbers.model_ids[position]
        own = (laser.id, clinic.chain_id, clinic.id, laser_resource, model)
        lasers.append((*own, f"L{laser.id}"))
        tips.append((tip.id, clinic.chain_id, tip_resource, f"H{tip.id}", (2, 4, 6)))
        tip_lines += [
            (clinic.next(through), tip.id, clinic.line_of(position, nm)) for nm in LINES[position]
        ]
        fittings.append((clinic.next(Fitting), laser.id, tip.id, f"[{LONG_AGO},)"))
    copy = clinic.sheets.copy
    copy(Resource, RESOURCE, resources)
    columns = ("id", "chain_id", "clinic_id", "resource_id", "laser_model_id", "serial")
    copy(Laser, columns, lasers)
    copy(Handpiece, ("id", "chain_id", "resource_id", "serial", "spot_sizes_mm"), tips)
    copy(through, ("id", "handpiece_id", "emissionline_id"), tip_lines)
    copy(Fitting, ("id", "laser_id", "handpiece_id", "period"), fittings)


def _patients(clinic: Invented) -> None:
    """One tattoo and one running course each."""
    chance = clinic.chance
    resources, patients, contacts, tattoos, parts, courses, of_course = ([] for _ in range(7))
    for _ in range(clinic.wanted.patients):
        resource, row = clinic.resource("patient", here=False)
        patient, tattoo = clinic.next(Patient), clinic.next(Tattoo)
        course = clinic.next(Course)
        resources.append(row)
        month = f"{chance.randint(1950, 2004)}-{chance.randint(1, 12):02}"
        born = f"{month}-{1 + patient % 28:02}"
        own = (patient, clinic.chain_id, clinic.id, resource, f"Given{patient % 997}")
        patients.append((*own, f"Invented{patient}", born, chance.choice((1, 2, 2, 3, 3, 4, 5))))
        mail = f"patient-{patient}@example.invalid"
        found = blind_index(mail, realm=clinic.chain_id)
        point = clinic.next(ContactPoint)
        contacts.append((point, patient, "email", encrypt(mail), found, ALLOWED))
        size = chance.randint(10, 60)
        tattoos.append((tattoo, patient, chance.choice(SITES), size, "moderate"))
        colours = chance.choice(COLOURS)
        for colour in colours:
            part = clinic.next(TattooPart)
            parts.append((part, tattoo, colour, "solid_fill", 1 / len(colours)))
        courses.append((course, clinic.chain_id, clinic.id, patient, "active", LONG_AGO))
        of_course.append((clinic.next(Course.tattoos.through), course, tattoo))
        clinic.patients.append(Person(patient, resource, course, part))
    copy = clinic.sheets.copy
    copy(Resource, RESOURCE, resources)
    names = ("given_name", "family_name", "birth_date", "skin_type")
    copy(Patient, ("id", "chain_id", "home_clinic_id", "resource_id", *names), patients)
    address = ("address_sealed", "address_index")
    copy(ContactPoint, ("id", "patient_id", "channel", *address, "allowed"), contacts)
    copy(Tattoo, ("id", "patient_id", "site", "area_cm2", "ink_amount"), tattoos)
    copy(TattooPart, ("id", "tattoo_id", "colour", "technique", "share"), parts)
    status = ("status", "started_on")
    copy(Course, ("id", "chain_id", "clinic_id", "patient_id", *status), courses)
    copy(Course.tattoos.through, ("id", "course_id", "tattoo_id"), of_course)
