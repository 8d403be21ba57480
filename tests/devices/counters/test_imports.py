"""Files of readings: the chain's own columns, a dry run first, all of it or nothing."""

import codecs
from datetime import UTC, datetime

import pytest

from clinics.vocabulary import Role
from devices.counters import Layout, read_table
from devices.models import CounterImport, CounterLayout, CounterReading
from tests.support.api import assert_problem, sign_in
from tests.support.counters import csv_body, make_counter, make_reading
from tests.support.devices import make_laser
from tests.support.factories import make_clinic, number

pytestmark = pytest.mark.django_db

COLUMNS = {"serial": "Gerät", "read_at": "Zeit", "value": "Stand"}
FIXED = {"counter_kind": "laser", "unit": "pulses", "occasion": "daily"}


@pytest.fixture
def clinic():
    return make_clinic(time_zone="Europe/Berlin")


@pytest.fixture
def laser(clinic):
    return make_laser(clinic, serial="INV-1")


@pytest.fixture
def counter(laser):
    return make_counter(laser)


@pytest.fixture
def officer(clinic):
    return sign_in(Role.LASER_SAFETY_OFFICER, clinic=clinic)


@pytest.fixture
def layout(officer, counter):
    told = {
        "name": "evening list",
        "columns": COLUMNS,
        "fixed": FIXED,
        "delimiter": ";",
        "encoding": "windows-1252",
        "time_format": "%d.%m.%Y %H:%M",
    }
    answer = officer.post("/counter-layouts", told)
    assert answer.status_code == 201, answer.json()
    return answer.json()["id"]


HEAD = "Zeit;Gerät;Raum;Stand\r\n"
GOOD = HEAD + "02.03.2026 18:00;INV-1;Blau;1000\r\n\r\n03.03.2026 18:00;INV-1;Blau;1400\r\n"


def send(caller, text, layout, *, dry_run=False, encoding="windows-1252"):
    raw = text if isinstance(text, bytes) else text.encode(encoding)
    return caller.post(
        "/counter-imports", csv_body(raw, layout, dry_run=dry_run), key=f"k{number()}"
    )


def test_a_dry_run_says_what_would_be_and_stores_nothing(officer, layout):
    answer = send(officer, GOOD, layout, dry_run=True)
    assert answer.status_code == 200, answer.json()
    told = answer.json()
    assert (told["rows"], told["readings"], told["would_store"]) == (2, 2, True)
    assert told["stored"] is None
    assert not CounterReading.objects.exists()
    assert not CounterImport.objects.exists()


def test_a_file_is_taken_in_whole_in_the_clinics_time(officer, layout, counter):
    answer = send(officer, GOOD, layout)
    assert answer.status_code == 201, answer.json()
    kept = counter.readings.order_by("read_at")
    assert [(one.value, one.read_at) for one in kept] == [
        (1000, datetime(2026, 3, 2, 17, tzinfo=UTC)),
        (1400, datetime(2026, 3, 3, 17, tzinfo=UTC)),
    ]
    stored = answer.json()["stored"]
    assert {one.source for one in kept} == {f"counter_import:{stored['id']}"}
    assert_problem(send(officer, GOOD, layout), 409, "counter_import_repeated")


@pytest.mark.parametrize("bom", [codecs.BOM_UTF8, codecs.BOM_UTF16_LE])
def test_a_byte_order_mark_says_how_it_is_encoded(officer, layout, bom):
    encoding = "utf-8" if bom == codecs.BOM_UTF8 else "utf-16-le"
    assert send(officer, bom + GOOD.encode(encoding), layout).status_code == 201


def rows_of(problem):
    return [(one["row"], one["column"], one["code"]) for one in problem["rows"]]


BAD_ROWS = [
    ("02.03.2026 18:00;INV-1;Blau;-5", "Stand", "negative"),
    ("02.03.2026 18:00;INV-1;Blau;1.000", "Stand", "number"),
    ("02.03.2026 18:00;INV-1;Blau;", "Stand", "number"),
    ("02.03.2026 18:00;INV-1;Blau;99999999999999999", "Stand", "number"),
    ("2026-03-02 18:00;INV-1;Blau;5", "Zeit", "instant"),
    ("31.02.2026 18:00;INV-1;Blau;5", "Zeit", "instant"),
    ("01.01.0001 00:00;INV-1;Blau;5", "Zeit", "instant"),
    ("31.12.9999 23:59;INV-1;Blau;5", "Zeit", "instant"),
    ("02.03.2199 18:00;INV-1;Blau;5", "Zeit", "in_the_future"),
    ("29.03.2026 02:30;INV-1;Blau;5", "Zeit", "clock_change"),
    ("26.10.2025 02:30;INV-1;Blau;5", "Zeit", "clock_change"),
    ("02.03.2026 18:00;INV-2;Blau;5", "Gerät", "unknown"),
    ("02.03.2026 18:00;;Blau;5", "Gerät", "required"),
    ("02.03.2026 18:00;INV-1;Blau", "", "cells"),
    ("01.03.2026 18:00;INV-1;Blau;9", "Zeit", "twice"),
    ("02.03.2026 18:00;INV-1;Blau;3", "Stand", "counter_backwards"),
    ("01.03.2026 18:01;INV-1;Blau;5000", "Stand", "counter_too_fast"),
]


@pytest.mark.parametrize(("bad", "column", "code"), BAD_ROWS)
def test_one_bad_row_and_nothing_is_stored(officer, layout, bad, column, code):
    text = HEAD + "01.03.2026 18:00;INV-1;Blau;5\r\n" + bad + "\r\n"
    problem = assert_problem(send(officer, text, layout), 422, "counter_import_refused")
    assert rows_of(problem) == [(3, column, code)]
    shown = send(officer, text, layout, dry_run=True).json()
    assert (shown["would_store"], shown["row_errors"]) == (False, problem["rows"])
    assert not CounterReading.objects.exists()
    assert not CounterImport.objects.exists()


def test_every_bad_row_is_listed(officer, layout):
    text = HEAD + "\r\n".join(row for row, _, code in BAD_ROWS if code != "cells")
    problem = assert_problem(send(officer, text, layout), 422)
    assert problem["error_count"] == len(problem["rows"]) >= 9


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"\r\n", "columns_missing"),
        (b"Zeit;Stand\r\n", "columns_missing"),
        (HEAD.encode("windows-1252"), "empty"),
        ("Zeit;Zeit;Gerät;Stand\n".encode("windows-1252"), "columns_twice"),
        (codecs.BOM_UTF8 + b"Zeit;Ger\xff", "encoding"),
        (b"Zeit;\x00", "encoding"),
        (GOOD.replace(";", ",").encode("windows-1252"), "columns_missing"),
    ],
)
def test_what_is_wrong_with_the_file_as_a_whole(officer, layout, raw, code):
    problem = assert_problem(send(officer, raw, layout), 422, "counter_import_refused")
    assert rows_of(problem) == [(1, "", code)]


def test_what_is_no_file(officer, layout):
    for content in ("", "not base64!", "äöü"):
        told = {"layout": layout, "content_base64": content, "dry_run": True}
        assert_problem(officer.post("/counter-imports", told, key=f"k{number()}"), 400)


def test_a_file_that_is_too_long(officer, layout):
    line = "02.03.2026 18:00;INV-1;Blau;1000\n"
    problem = assert_problem(send(officer, HEAD + line * 20_001, layout), 422)
    assert rows_of(problem) == [(1, "", "too_many_rows")]
    told = csv_body(b"x" * 1_600_000, layout)
    assert officer.post("/counter-imports", told, key="big").status_code in {400, 413}


def test_quoted_cells_and_broken_quotes():
    layout = Layout(columns=COLUMNS, fixed=FIXED)
    good = 'Zeit,Gerät,Stand\n2026-03-02T18:00,"INV, 1",5\n'
    assert read_table(good.encode(), layout=layout).rows[0].serial == "INV, 1"
    broken = read_table(b'Zeit,Ger\xc3\xa4t,Stand\n2026-03-02T18:00,"INV"x,5\n', layout=layout)
    assert [one.code for one in broken.errors] == ["csv"]


def test_later_readings_that_stand_are_asked_too(officer, layout, counter):
    make_reading(counter, 1200, read_at=datetime(2026, 3, 2, 20, tzinfo=UTC))
    text = HEAD + "02.03.2026 18:00;INV-1;Blau;1300\n"
    problem = assert_problem(send(officer, text, layout), 422)
    assert rows_of(problem) == [(2, "Stand", "counter_backwards")]
    taken = HEAD + "02.03.2026 21:00;INV-1;Blau;1200\n"
    assert rows_of(assert_problem(send(officer, taken, layout), 422)) == [(2, "Zeit", "taken")]


def test_two_devices_of_one_serial_are_not_guessed_at(officer, layout, clinic):
    make_counter(make_laser(clinic, serial="INV-1"))
    problem = assert_problem(send(officer, GOOD, layout), 422)
    assert {code for _, _, code in rows_of(problem)} == {"ambiguous"}


def test_only_at_ones_own_clinics(layout, clinic):
    elsewhere = sign_in(Role.LASER_SAFETY_OFFICER, clinic=make_clinic(clinic.chain))
    problem = assert_problem(send(elsewhere, GOOD, layout), 422)
    assert {code for _, _, code in rows_of(problem)} == {"not_allowed"}
    operator = sign_in(Role.LASER_OPERATOR, clinic=clinic)
    assert_problem(send(operator, GOOD, layout), 403)
    stranger = sign_in(Role.LASER_SAFETY_OFFICER)
    assert_problem(send(stranger, GOOD, layout), 400)
    assert not CounterReading.objects.exists()


def test_as_many_queries_for_forty_rows_as_for_one(officer, layout, django_assert_max_num_queries):
    for days in (1, 40):
        rows = "".join(
            f"{1 + day % 28:02}.{1 + day // 28:02}.2026 18:00;INV-1;Blau;{day}\n"
            for day in range(days)
        )
        with django_assert_max_num_queries(28):
            assert send(officer, HEAD + rows, layout, dry_run=True).json()["would_store"]


@pytest.mark.parametrize(
    "change",
    [
        {"columns": {"serial": "a", "read_at": "b"}},
        {"columns": {**COLUMNS, "colour": "c"}},
        {"columns": {**COLUMNS, "value": "Zeit"}},
        {"fixed": {"counter_kind": "laser"}},
        {"fixed": {**FIXED, "serial": "x"}},
        {"delimiter": "x"},
        {"encoding": "klingon"},
        {"columns": "no"},
    ],
)
def test_a_layout_that_no_file_can_have(officer, layout, change):
    told = {"name": "other", "columns": COLUMNS, "fixed": FIXED, **change}
    assert_problem(officer.post("/counter-layouts", told), 400)
    assert_problem(officer.patch(f"/counter-layouts/{layout}", change, version=1), 400)
    assert CounterLayout.objects.count() == 1


def test_one_layout_of_a_name(officer, layout):
    told = {"name": "evening list", "columns": COLUMNS, "fixed": FIXED}
    assert_problem(officer.post("/counter-layouts", told), 409, "counter_layout_taken")
    renamed = officer.patch(f"/counter-layouts/{layout}", {"name": "night list"}, version=1)
    assert (renamed.status_code, renamed.json()["version"]) == (200, 2)
