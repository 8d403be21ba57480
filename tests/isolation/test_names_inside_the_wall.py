"""Inside the wall between chains a beginning of a name is looked up in an index."""

import pytest
from django.db import connection
from django.db.models import Q

from core.db import reading, within_chain
from core.spelling import begins_with
from courses.models import Patient
from tests.support.courses import make_patient
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db


MANY = 60


def plan_of(chain, condition):
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE courses_patient")
        # So small a table would be read whole.
        cursor.execute("SET LOCAL enable_seqscan = off")
    with as_web_process(), within_chain(chain.pk), reading():
        return Patient.objects.filter(condition, chain=chain).order_by().explain()


@pytest.mark.parametrize(
    ("condition", "in_index"),
    [
        (begins_with("family_name_spelling", "lin"), True),
        (begins_with("given_name_spelling", "lin"), True),
        # LIKE may tell of rows that are behind the wall, so it comes after the wall.
        (Q(family_name_spelling__startswith="LIN"), False),
    ],
)
def test_the_beginning_is_a_condition_of_the_index(condition, in_index):
    clinic = make_patient().home_clinic
    for number in range(MANY):
        make_patient(clinic, family_name=f"Invented{number}", given_name=f"Given{number}")
    lines = plan_of(clinic.chain, condition).splitlines()
    conditions = "".join(line for line in lines if "Index Cond" in line)
    assert ("_name_spelling >=" in conditions) is in_index, lines
