"""Neither logs nor problems tell a patient's name, phone number or e-mail address."""

import logging

import pytest

from clinics.vocabulary import Role
from tests.support.api import sign_in
from tests.support.booking import make_stage

pytestmark = pytest.mark.django_db

GIVEN, FAMILY = "Quillonia", "Zephyrwright"
MAIL, PHONE = "quillonia.zephyr@invented.example", "+4915112345678"
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
        desk.post("/contact-points", mail),
        desk.post("/contact-points", phone),
        desk.post("/contact-points", {**mail, "address": f"{MAIL} {PHONE}"}),
        desk.post("/patients", {**body, "birth_date": "1700-01-01"}),
        desk.post("/patients", {**body, "given_name": GIVEN * 20}),
        desk.patch(f"/patients/{patient}", {"family_name": FAMILY}, version=99),
        desk.get("/patients", unknown=FAMILY),
        desk.get("/patients", birth_date=FAMILY),
        desk.get(f"/patients/{patient}/history"),
        desk.get(f"/patients/{patient + 1000}"),
    ]
    assert all(400 <= answer.status_code < 500 for answer in refused)
    told = [answer.content.decode() for answer in refused] + [caplog.text]
    assert [(word, text) for text in told for word in TELLING if word in text] == []
