"""Who is meant: patients found by the beginnings of their names and by their birth dates."""

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.vocabulary import Role
from tests.support.api import assert_problem, pointers, sign_in
from tests.support.courses import make_patient
from tests.support.factories import make_clinic

pytestmark = pytest.mark.django_db

SEARCHES = "/patient-searches"


def found(caller, **sought) -> list[dict]:
    """What a search finds on its first page."""
    answer = caller.post(SEARCHES, sought)
    assert answer.status_code == 200, answer.json()
    return answer.json()["items"]


def pages(caller, *, towards: str = "next_cursor", **sought) -> list[list[str]]:
    """Family names page by page, to the end of the list that way."""
    told = []
    while True:
        page = caller.post(SEARCHES, sought).json()
        told.append([one["family_name"] for one in page["items"]])
        sought["cursor"] = page[towards]
        if sought["cursor"] is None:
            return told


@pytest.mark.parametrize(
    ("name", "families"),
    [
        ("lin", ["Lindqvist", "Lund"]),
        ("Lund", ["Lund"]),
        ("ada lin", ["Lindqvist"]),
        ("lund lina", ["Lund"]),
        ("van d", ["van Dal"]),
        ("qvist", []),
        ("\u0301", []),
        ("\u0301 \u0308", []),
    ],
)
def test_found_by_the_beginnings_of_names(ward, desk, name, families):
    make_patient(ward.clinic, family_name="Lindqvist", given_name="Ada")
    make_patient(ward.clinic, family_name="Lund", given_name="Lina")
    make_patient(ward.clinic, family_name="van Dal", given_name="Ole")
    make_patient(family_name="Lindqvist", given_name="Elsewhere")
    assert [one["family_name"] for one in found(desk, name=name)] == families


@pytest.mark.parametrize("name", ["GODEL", "gödel", "Go\u0308del", "göd"])
def test_capitals_and_accents_hide_nobody(ward, desk, name):
    wanted = make_patient(ward.clinic, family_name="Gödel", given_name="Invented")
    make_patient(ward.clinic, family_name="Goldene", given_name="Invented")
    assert [one["id"] for one in found(desk, name=name)] == [wanted.pk]


def test_found_by_a_name_just_given(ward, desk):
    path = f"/patients/{ward.course.patient_id}"
    desk.patch(path, {"family_name": "Élan"}, version=desk.etag(path))
    assert [one["family_name"] for one in found(desk, name="elan")] == ["Élan"]


def test_found_by_birth_date_name_and_home_clinic(ward, desk):
    born, elsewhere = date(1971, 2, 3), make_clinic(ward.chain)
    ada = make_patient(ward.clinic, birth_date=born, family_name="Lund", given_name="Ada")
    lina = make_patient(ward.clinic, birth_date=born, family_name="Lund", given_name="Lina")
    ole = make_patient(elsewhere, birth_date=born, family_name="Lund", given_name="Ole")
    make_patient(ward.clinic, birth_date=date(1971, 2, 4), family_name="Lund")
    here = {"birth_date": "1971-02-03", "home_clinic": ward.clinic.pk}
    expected = [
        ({"birth_date": "1971-02-03"}, [ada, lina, ole]),
        (here, [ada, lina]),
        ({**here, "name": "lin"}, [lina]),
    ]
    for sought, wanted in expected:
        assert [one["id"] for one in found(desk, **sought)] == [one.pk for one in wanted]


def test_pages_leave_nobody_out_and_lead_back(ward, desk):
    for name in ("LundB", "LundA", "LundA", "LundC", "LundD", "Other"):
        make_patient(ward.clinic, family_name=name, given_name="Same")
    forwards = pages(desk, name="lund", limit=2)
    assert forwards == [["LundA", "LundA"], ["LundB", "LundC"], ["LundD"]]
    first = desk.post(SEARCHES, {"name": "lund", "limit": 2}).json()
    second = desk.post(
        SEARCHES, {"name": "lund", "limit": 2, "cursor": first["next_cursor"]}
    ).json()
    back = pages(
        desk,
        name="lund",
        limit=2,
        cursor=second["previous_cursor"],
        towards="previous_cursor",
    )
    assert back == [["LundA", "LundA"]]
    assert first["previous_cursor"] is None


@pytest.mark.parametrize(
    "sought",
    [{"name": "lu", "limit": 1}, {"name": "lund", "birth_date": "1990-01-01", "limit": 1}],
)
def test_a_cursor_counts_for_the_same_question_only(ward, desk, sought):
    for name in ("LundA", "LundB"):
        make_patient(ward.clinic, family_name=name)
    cursor = desk.post(SEARCHES, {"name": "lund", "limit": 1}).json()["next_cursor"]
    assert cursor
    problem = assert_problem(desk.post(SEARCHES, {**sought, "cursor": cursor}), 400)
    assert pointers(problem) == {"/cursor": "cursor"}
    # The length of the page is not part of the question.
    assert desk.post(SEARCHES, {"name": "lund", "limit": 9, "cursor": cursor}).status_code == 200


def test_a_cursor_counts_in_its_own_chain_only(ward, desk):
    for name in ("LundA", "LundB"):
        make_patient(ward.clinic, family_name=name)
    sought = {"name": "lund", "limit": 1}
    cursor = desk.post(SEARCHES, sought).json()["next_cursor"]
    stranger = sign_in(Role.FRONT_DESK, clinic=make_clinic())
    problem = assert_problem(stranger.post(SEARCHES, {**sought, "cursor": cursor}), 400)
    assert pointers(problem) == {"/cursor": "cursor"}
    colleague = sign_in(Role.FRONT_DESK, clinic=ward.clinic)
    assert colleague.post(SEARCHES, {**sought, "cursor": cursor}).status_code == 200


@pytest.mark.parametrize(
    ("sought", "where"),
    [
        ({}, {"/name": "required"}),
        ({"limit": 5}, {"/name": "required"}),
        ({"name": "  "}, {"/name": "blank"}),
        ({"name": None}, {"/name": "null"}),
        ({"name": "x" * 171}, {"/name": "max_length"}),
        ({"birth_date": "3 March"}, {"/birth_date": "invalid"}),
        ({"name": "lund", "limit": 0}, {"/limit": "min_value"}),
        ({"name": "lund", "limit": 201}, {"/limit": "max_value"}),
        ({"name": "lund", "cursor": "made up"}, {"/cursor": "cursor"}),
        ({"name": "lund", "cursor": "ü"}, {"/cursor": "cursor"}),
        ({"name": "lund", "phone": "12"}, {"/phone": "unknown"}),
    ],
)
def test_what_cannot_be_sought_is_named(desk, sought, where):
    assert pointers(assert_problem(desk.post(SEARCHES, sought), 400)) == where


def test_a_clinic_of_another_chain_is_not_known(desk):
    sought = {"name": "lund", "home_clinic": make_clinic().pk}
    problem = assert_problem(desk.post(SEARCHES, sought), 400)
    assert pointers(problem) == {"/home_clinic": "does_not_exist"}


def test_it_costs_the_same_for_two_and_for_twelve(ward, desk):
    for number in range(12):
        make_patient(ward.clinic, family_name=f"Lund{number}")
    desk.post(SEARCHES, {"name": "lund"})
    costs = []
    for few in (2, 12):
        with CaptureQueriesContext(connection) as seen:
            assert len(found(desk, name="lund", limit=few)) == few
        costs.append(len(seen))
    assert costs[0] == costs[1]


def test_each_record_on_the_page_was_read(ward, desk):
    seen = make_patient(ward.clinic, family_name="LundA")
    make_patient(ward.clinic, family_name="LundB")
    desk.post(SEARCHES, {"name": "lund", "limit": 1})
    reads = sign_in(Role.CHAIN_MANAGER, chain=ward.chain).get("/record-reads").json()["items"]
    assert [(one["patient"], one["operation"]) for one in reads] == [(seen.pk, "patient-search")]


@pytest.mark.parametrize("parameter", ["name", "birth_date", "family_name"])
def test_an_address_takes_no_name(desk, parameter):
    """Nor a birth date: it would stand in the logs of every server on the way."""
    assert_problem(desk.get("/patients", **{parameter: "1990-01-01"}), 400, "parameter_unknown")


def test_who_reads_no_patients_finds_none(ward):
    officer = ward.caller(Role.LASER_SAFETY_OFFICER)
    assert_problem(officer.post(SEARCHES, {"name": "lund"}), 403)
