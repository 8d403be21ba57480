"""The worked flow with the generated Python client: run by itself, prints what it saw.

It is called with the service's address, a user name, a password and a family name.
"""

import json
import pkgutil
import sys
from datetime import UTC, datetime, timedelta
from importlib import import_module
from typing import Any
from uuid import uuid4

import fallow_client
from fallow_client import AuthenticatedClient, Client
from fallow_client.api.appointments import (
    appointments_cancel_create,
    appointments_create,
    appointments_retrieve,
)
from fallow_client.api.courses import courses_list
from fallow_client.api.patient_searches import patient_searches_create
from fallow_client.api.slot_searches import slot_searches_create
from fallow_client.api.tokens import tokens_create
from fallow_client.models.appointment_in_request import AppointmentInRequest
from fallow_client.models.appointment_out import AppointmentOut
from fallow_client.models.booked_out import BookedOut
from fallow_client.models.paginated_course_out_list import PaginatedCourseOutList
from fallow_client.models.patient_search_in_request import PatientSearchInRequest
from fallow_client.models.patients_found_out import PatientsFoundOut
from fallow_client.models.problem import Problem
from fallow_client.models.reason_in_request import ReasonInRequest
from fallow_client.models.slot_out import SlotOut
from fallow_client.models.slot_search_in_request import SlotSearchInRequest
from fallow_client.models.slot_search_out import SlotSearchOut
from fallow_client.models.token_in_request import TokenInRequest
from fallow_client.models.token_out import TokenOut


def main(address: str, user_name: str, password: str, family_name: str) -> None:
    _load_all_of_it()
    client = _sign_in(address, user_name, password)
    found = patient_searches_create.sync(
        client=client, body=PatientSearchInRequest(name=family_name)
    )
    assert isinstance(found, PatientsFoundOut), found
    (patient,) = found.items
    courses = courses_list.sync(client=client, patient=patient.id)
    assert isinstance(courses, PaginatedCourseOutList), courses
    (course,) = courses.items
    slot = _best_slot(client, course.id)
    seen = _book_and_cancel(client, slot, course.id)
    sys.stdout.write(json.dumps({"patient": patient.id, "course": course.id, **seen}))


def _load_all_of_it() -> None:
    """What cannot even be loaded is no client, whether this flow needs it or not."""
    for module in pkgutil.walk_packages(fallow_client.__path__, "fallow_client."):
        import_module(module.name)


def _sign_in(address: str, user_name: str, password: str) -> AuthenticatedClient:
    anyone = Client(base_url=address, raise_on_unexpected_status=True)
    wrong = tokens_create.sync(
        client=anyone, body=TokenInRequest(user_name=user_name, password="not it")
    )
    assert isinstance(wrong, Problem), wrong
    right = tokens_create.sync(
        client=anyone, body=TokenInRequest(user_name=user_name, password=password)
    )
    assert isinstance(right, TokenOut), right
    return AuthenticatedClient(
        base_url=address, token=right.token, raise_on_unexpected_status=True, timeout=60
    )


def _best_slot(client: AuthenticatedClient, course: int) -> SlotOut:
    now = datetime.now(UTC)
    found = slot_searches_create.sync(
        client=client,
        body=SlotSearchInRequest(
            course=course, start=now, end=now + timedelta(days=7), minutes=30, limit=3
        ),
    )
    assert isinstance(found, SlotSearchOut), found
    return found.slots[0]


def _book_and_cancel(client: AuthenticatedClient, slot: SlotOut, course: int) -> dict[str, Any]:
    key = str(uuid4())
    visit = AppointmentInRequest(
        course=course,
        start=slot.start,
        clinic=slot.clinic,
        room=slot.room,
        operator=slot.operator,
        laser=slot.laser,
        handpieces=slot.handpieces,
        wavelengths_nm=slot.wavelengths_nm,
        minutes=30,
    )
    booked = appointments_create.sync(client=client, body=visit, idempotency_key=key)
    repeated = appointments_create.sync(client=client, body=visit, idempotency_key=key)
    again = appointments_create.sync(client=client, body=visit, idempotency_key=str(uuid4()))
    assert isinstance(booked, BookedOut), booked
    assert isinstance(repeated, BookedOut), repeated
    assert isinstance(again, Problem), again

    name = str(booked.id)
    read = appointments_retrieve.sync_detailed(name, client=client)
    assert isinstance(read.parsed, AppointmentOut), read
    tag = read.headers["ETag"]
    unchanged = appointments_retrieve.sync_detailed(name, client=client, if_none_match=tag)

    why = ReasonInRequest(reason="The patient called")
    cancelled = appointments_cancel_create.sync(name, client=client, body=why, if_match=tag)
    stale = appointments_cancel_create.sync(name, client=client, body=why, if_match=tag)
    assert isinstance(cancelled, AppointmentOut), cancelled
    assert isinstance(stale, Problem), stale
    return {
        "appointment": booked.id,
        "repeated": repeated.id,
        "starts_at": read.parsed.starts_at.isoformat(),
        "statuses": [booked.status, read.parsed.status, cancelled.status],
        "unchanged": unchanged.status_code,
        "refused": [again.code, stale.code],
    }


if __name__ == "__main__":
    main(*sys.argv[1:])
