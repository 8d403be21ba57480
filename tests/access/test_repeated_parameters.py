"""A query parameter is given once, unless the document says that it is a list.

RFC 3986 (3.4) leaves open what a name that stands twice means: to take the last is a guess.
"""

import json

import pytest

from clinics.vocabulary import Role
from tests.support.api import Caller
from tests.support.asking import ask
from tests.support.factories import make_membership, make_staff
from tests.support.operations import operations

pytestmark = pytest.mark.django_db

ASKED = [one for one in operations() if one.query()]


@pytest.fixture
def everybody(world):
    """Somebody who holds every role in the whole chain."""
    staff = make_staff(world.chain, user=True)
    for role in Role:
        make_membership(staff, role)
    return Caller(staff)


@pytest.mark.parametrize("operation", ASKED, ids=lambda one: one.name)
def test_what_is_repeated_is_refused_by_name_and_lists_are_not(world, everybody, operation):
    refused = set()
    for name in operation.query():
        answer = ask(world, operation, everybody, query={name: f"1&{name}=1"})
        if answer.status == 400:
            errors = json.loads(answer.text).get("errors", [])
            refused |= {one.get("parameter") for one in errors if one["code"] == "repeated"}
    single = {name for name, told in operation.query().items() if not is_list(told["schema"])}
    assert refused == single


def is_list(schema):
    return schema.get("type") == "array"


def test_there_are_both():
    schemas = [told["schema"] for one in ASKED for told in one.query().values()]
    assert {is_list(schema) for schema in schemas} == {True, False}
