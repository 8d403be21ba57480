"""No medical field is shown to, or changed by, a role that may not see it.

OWASP ASVS 5.0.0, 8.2.3. Which fields those are stands in `courses/policy.py`; where they may turn
up is read from the OpenAPI document, so that a new answer with such a field is asked too.
"""

import json

import pytest

from clinics.policy import BOOKING_RECORDS, MEDICAL_COLUMNS, POLICY
from clinics.vocabulary import Role
from courses.policy import FIELDS
from tests.support.asking import ask
from tests.support.operations import document, operations

pytestmark = pytest.mark.django_db

MEDICAL_NAMES = frozenset(
    {
        "skin_type",
        "smoker",
        "gold_therapy_ever",
        "scarring",
        "layered",
        "palpable",
        "override_reason",
        "severity",
    }
)
"""Names that mean a medical detail wherever they stand."""

OF_THEIR_OWN = frozenset({"calculator.use", "session.read", "outcome.read"})
"""Nobody's record, and actions that are medical themselves: not the front desk's."""


def schemas():
    return document()["components"]["schemas"]


def resolved(schema):
    while "$ref" in schema:
        schema = schemas()[schema["$ref"].rsplit("/", 1)[1]]
    return schema


def guarded_in(schema, value):
    """(name, action, value) of each guarded property that an answer has."""
    schema = resolved(schema)
    for inner in (*schema.get("oneOf", ()), *schema.get("allOf", ())):
        yield from guarded_in(inner, value)
    if isinstance(value, list):
        for one in value:
            yield from guarded_in(schema.get("items", {}), one)
    if isinstance(value, dict):
        for name, told in schema.get("properties", {}).items():
            if "x-shown-to" in told and name in value:
                yield name, told["x-shown-to"], value[name]
            if name in value:
                yield from guarded_in(told, value[name])


def reachable(schema, seen):
    """(component or "", property, whether guarded) of all that an answer may have."""
    ref = schema.get("$ref", "").rsplit("/", 1)[-1]
    if ref in seen:
        return
    seen = seen | {ref} if ref else seen
    schema = resolved(schema)
    parts = [*schema.get("oneOf", ()), *schema.get("allOf", ()), schema.get("items", {})]
    for inner in parts:
        if inner:
            yield from reachable(inner, seen)
    for name, told in schema.get("properties", {}).items():
        yield ref, name, "x-shown-to" in told
        yield from reachable(told, seen)


def answer_schema(operation):
    for status, told in operation.told["responses"].items():
        content = told.get("content", {}).get("application/json")
        if status.startswith("2") and content:
            return content["schema"]
    return {}


READS = [one for one in operations() if one.method == "GET" and answer_schema(one)]


def test_each_guarded_field_is_in_the_document_and_the_table():
    told = {
        component: {
            name: one["x-shown-to"]
            for name, one in schema.get("properties", {}).items()
            if "x-shown-to" in one
        }
        for component, schema in schemas().items()
    }
    assert {name: fields for name, fields in told.items() if name in FIELDS} == FIELDS
    assert all(action in POLICY for fields in FIELDS.values() for action in fields.values())


def test_what_is_hidden_by_null_is_not_sent_as_null():
    sent = {name: one for name, one in schemas().items() if name.endswith("Request")}
    assert sent
    assert not [
        (name, field)
        for name, one in sent.items()
        for field, told in one.get("properties", {}).items()
        if "x-shown-to" in told
    ]


def test_guarded_fields_of_bookings_are_guarded_in_their_history_too():
    columns = {
        name
        for component, fields in FIELDS.items()
        for name in fields
        if component.removesuffix("Out").lower() in BOOKING_RECORDS
    }
    assert columns
    assert {"appointment": columns} == MEDICAL_COLUMNS


@pytest.mark.parametrize("role", Role)
def test_no_medical_detail_is_unguarded(role):
    loose = {
        (one.name, component, name)
        for one in operations()
        if one.key in POLICY and role in POLICY[one.key].roles
        for component, name, guarded in reachable(answer_schema(one), frozenset())
        if name in MEDICAL_NAMES and not guarded and one.key not in OF_THEIR_OWN
    }
    if role in POLICY["medical_detail.read"].roles:
        assert loose  # the control: this looks where such fields are
    else:
        assert loose == set()


@pytest.mark.parametrize("role", Role)
def test_guarded_fields_are_null_to_who_may_not_see_them(world, role):
    shown, hidden, wrong = set(), set(), []
    for one in READS:
        answer = ask(world, one, world.caller(role, world.home))
        if answer.status != 200:
            continue
        for name, action, value in guarded_in(answer_schema(one), json.loads(answer.text)):
            may = role in POLICY[action].roles
            (shown if may and value is not None else hidden).add(name)
            if not may and value is not None:
                wrong.append(f"{one.name}: {name} = {value!r}")
    assert wrong == []
    if role in POLICY["medical_detail.read"].roles - {Role.LASER_SAFETY_OFFICER}:
        assert {"skin_type", "smoker", "scarring"} <= shown
    if role is Role.FRONT_DESK:
        assert {"skin_type", "smoker", "gold_therapy_ever", "scarring"} <= hidden


def test_who_may_not_see_a_field_may_not_find_rows_by_it_either(world):
    """A filter or an order by what is hidden would tell it."""
    asked = []
    for one in READS:
        guarded = {
            name: action
            for component, name, _ in reachable(answer_schema(one), frozenset())
            for action in [FIELDS.get(component, {}).get(name)]
            if action is not None
        }
        for parameter in one.told.get("parameters", ()):
            action = guarded.get(parameter["name"])
            if parameter["in"] != "query" or action is None:
                continue
            for role in Role:
                if role in POLICY[one.key].roles and role not in POLICY[action].roles:
                    value = parameter["schema"]["enum"][0]
                    told = world.caller(role, world.home).get(
                        one.path.removeprefix("/api/v1"), **{parameter["name"]: value}
                    )
                    asked.append((one.name, parameter["name"], role, told.status_code))
    assert asked
    assert {status for *_, status in asked} == {403}, asked


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("name", sorted(FIELDS["PatientOut"]))
def test_who_may_not_see_a_field_may_not_change_it(world, role, name):
    [change] = [one for one in operations() if one.name == "PATCH /api/v1/patients/{id}"]
    patient = world.row(change.path_models()["id"])
    body = {name: getattr(patient, name)}
    answer = ask(world, change, world.caller(role, world.home), body=body)
    may = role in POLICY[change.key].roles and role in POLICY[FIELDS["PatientOut"][name]].roles
    assert answer.status == (200 if may else 403), answer
