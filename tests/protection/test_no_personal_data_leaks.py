"""Logs, problems, calendars and addresses tell no patient's name, phone number or e-mail."""

import base64
import logging
import re
import zlib

import pytest

from clinics.vocabulary import Role
from courses.services.booking import appointment_book
from tests.support.api import anonymous, sign_in
from tests.support.booking import NOW, TOMORROW_TEN, make_running_course, make_stage
from tests.support.courses import make_contact_point, make_patient
from tests.support.operations import operations

pytestmark = pytest.mark.django_db

GIVEN, FAMILY = "Quillonia", "Zephyrwright"
MAIL, PHONE = "quillonia.zephyr@invented.example", "+4915112345678"
PERSONAL = {"name", "given_name", "family_name", "birth_date", "address", "email", "phone"}
TELLING = (GIVEN, FAMILY, MAIL, PHONE)


def test_a_worked_flow_with_mistakes(caplog):
    caplog.set_level(logging.INFO)
    stage = make_stage(days=1)
    desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
    body = {
        "home_clinic": stage.clinic.pk,
        "given_name": GIVEN,
        "family_name": FAMILY,
        "birth_date": "1990-01-01",
        "skin_type": 2,
    }
    made = desk.post("/patients", body)
    assert made.status_code == 201, made.json()
    patient = made.json()["id"]
    mail = {"patient": patient, "channel": "email", "address": MAIL}
    phone = {"patient": patient, "channel": "sms", "address": PHONE}
    assert desk.post("/contact-points", mail).status_code == 201
    assert desk.post("/contact-points", phone).status_code == 201
    refused = [
        desk.post("/contact-point-searches", {"phone": f"{PHONE} {FAMILY}"}),
        desk.post("/contact-point-searches", {"email": MAIL, "phone": PHONE}),
        desk.post("/contact-point-searches", {"address": MAIL}),
        desk.post("/contact-points", mail),
        desk.post("/contact-points", phone),
        desk.post("/contact-points", {**mail, "address": f"{MAIL} {PHONE}"}),
        desk.post("/patients", {**body, "birth_date": "1700-01-01"}),
        desk.post("/patients", {**body, "given_name": GIVEN * 20}),
        desk.patch(f"/patients/{patient}", {"family_name": FAMILY}, version=99),
        desk.get("/patients", unknown=FAMILY),
        desk.get("/patients", home_clinic=FAMILY),
        desk.get(f"/patients/{patient}/history"),
        desk.get(f"/patients/{patient + 1000}"),
    ]
    assert all(400 <= answer.status_code < 500 for answer in refused)
    told = [answer.content.decode() for answer in refused] + [caplog.text]
    assert [(word, text) for text in told for word in TELLING if word in text] == []


def named_course(stage):
    """A running course of somebody whose name and ways to be reached would be noticed."""
    course = make_running_course(stage.clinic)
    patient = course.patient
    patient.given_name, patient.family_name = GIVEN, FAMILY
    patient.save()
    make_contact_point(patient, address=MAIL)
    make_contact_point(patient, channel="sms", address=PHONE)
    return course


def booked(stage, course):
    return appointment_book(
        course_id=course.pk, visit=stage.visit(TOMORROW_TEN), actor=stage.desk, now=NOW
    )


def telling_in(*told):
    return [(word, text) for text in told for word in TELLING if word.lower() in text.lower()]


def test_a_calendar_names_no_patient(time_machine):
    time_machine.move_to(NOW, tick=False)
    stage = make_stage(days=2)
    booked(stage, named_course(stage))
    desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
    made = desk.post("/calendar-feeds", {"room": stage.room.pk})
    address = made.json()["address"]
    calendar = anonymous().client.get(address)
    assert b"BEGIN:VEVENT" in calendar.content
    assert telling_in(address, calendar.content.decode(), str(calendar.headers)) == []


def test_a_search_by_address_leaves_it_in_no_line_of_the_log(caplog):
    caplog.set_level(logging.DEBUG, logger="fallow")
    stage = make_stage(days=1)
    named_course(stage)
    desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
    for sought in ({"phone": PHONE}, {"email": MAIL}):
        found = desk.post("/contact-point-searches", sought)
        assert len(found.json()["items"]) == 1
    assert "/api/v1/contact-point-searches" in caplog.text
    assert telling_in(caplog.text) == []


def test_what_stands_in_the_way_is_told_by_number():
    """409 for an address, a slot and a course that are taken, and the pages of lists."""
    stage = make_stage(days=2)
    course = named_course(stage)
    booked(stage, course)
    desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
    other = make_running_course(stage.clinic)
    body = {
        "course": other.pk,
        "clinic": stage.clinic.pk,
        "room": stage.room.pk,
        "operator": stage.operator.pk,
        "laser": stage.laser.pk,
        "handpieces": [stage.handpiece.pk],
        "starts_at": TOMORROW_TEN.isoformat(),
        "wavelengths_nm": [1064],
    }
    told = [
        desk.post("/contact-points", {"patient": course.patient_id, **kind})
        for kind in ({"channel": "email", "address": MAIL}, {"channel": "sms", "address": PHONE})
    ]
    assert [answer.status_code for answer in told] == [409, 409]
    told.append(desk.post("/appointments", body, key="taken"))
    assert told[-1].status_code in {400, 409, 422}
    assert telling_in(*(answer.content.decode() for answer in told)) == []


def test_addresses_of_pages_carry_no_names():
    """The cursor of a list in the order of names is sealed: it stands in logs of proxies."""
    stage = make_stage(days=1)
    named_course(stage)
    make_patient(stage.clinic, family_name="Aardwolf")
    make_patient(stage.clinic, family_name="Zzyzx")
    desk = sign_in(Role.FRONT_DESK, clinic=stage.clinic)
    page = desk.get("/patients", ordering="name", limit=1)
    for _ in range(4):
        links = page.headers.get("Link", "")
        page_of = [page.json()[way] or "" for way in ("next", "previous")]
        plain = [_decoded(text) for text in (links, *page_of)]
        assert telling_in(links, *page_of, *plain) == []
        if not page.json()["next"]:
            break
        page = desk.client.get(page.json()["next"])
    else:
        pytest.fail("The list has no end.")


def test_no_address_takes_what_is_personal():
    """Neither a parameter of an address that shows patients, nor its path (ASVS 5.0, 14.2.1)."""
    taken = {
        (one.name, parameter)
        for one in operations()
        for parameter in [*re.findall(r"{(\w+)}", one.path), *one.query()]
        if parameter in PERSONAL
    }
    # What devices, clinics and texts are called is no person's name.
    assert taken == {
        ("GET /api/v1/laser-models", "name"),
        ("GET /api/v1/message-templates", "name"),
    }


def _decoded(address: str) -> str:
    """What anybody could read in the parts of an address that are base64."""
    found = []
    for part in re.split(r"[^A-Za-z0-9_-]", address):
        padded = part + "=" * (-len(part) % 4)
        try:
            raw = base64.urlsafe_b64decode(padded)
            found.append(raw.decode("latin-1"))
            found.append(zlib.decompress(raw).decode("latin-1"))
        except (ValueError, zlib.error):
            continue
    return " ".join(found)
