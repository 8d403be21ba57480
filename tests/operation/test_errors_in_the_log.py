"""A line about an error says where it was and of what kind, and nothing that its text quotes."""

import json
import logging

import pytest
from django.db import IntegrityError

from config.logs import JsonFormatter
from courses.models import Patient
from tests.support.courses import make_patient
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

OF_A_TASK = "Task %(name)s[%(id)s] %(description)s: %(exc)s"
"""As the queue tells of one that failed."""


def line(error: BaseException, said: str, *args: object) -> str:
    record = logging.LogRecord(
        "of.a.test", logging.ERROR, __file__, 1, said, args, (type(error), error, None)
    )
    return JsonFormatter().format(record)


@pytest.fixture
def quoting() -> IntegrityError:
    """What a worker gets that breaks a rule of a table: PostgreSQL names the whole row."""
    patient = make_patient(make_clinic(), given_name="Quillonia", family_name="Zephyrwright")
    with pytest.raises(IntegrityError) as refused:
        Patient.objects.filter(pk=patient.pk).update(skin_type=99)
    assert "Zephyrwright" in str(refused.value)
    return refused.value


@pytest.mark.parametrize(
    ("said", "args"),
    [
        ("Internal Server Error", ()),
        (OF_A_TASK, {"name": "a", "id": "1", "description": "raised", "exc": "Zephyrwright"}),
    ],
)
def test_neither_the_trace_nor_the_message_quotes_a_row(quoting, said, args):
    told = line(quoting, said, *([args] if args else []))
    assert "Zephyrwright" not in told
    trace = json.loads(told)["trace"]
    assert trace.startswith("django.db.utils.IntegrityError")
    assert "psycopg.errors.CheckViolation 23514 patient_" in trace
    assert "test_errors_in_the_log.py" in trace


def test_an_error_without_a_cause_names_its_place():
    given = {"name": "Zephyrwright"}
    with pytest.raises(ValueError, match="could not convert") as failed:
        float(given["name"])
    told = json.loads(line(failed.value, "Internal Server Error"))
    assert told["message"] == "Internal Server Error"
    kind, *places = told["trace"].splitlines()
    assert kind == "builtins.ValueError"
    assert "in test_an_error_without_a_cause_names_its_place" in places[0]
    assert "Zephyrwright" not in told["trace"]
