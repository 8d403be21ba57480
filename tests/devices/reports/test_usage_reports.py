"""Usage grouped any way adds up to the ledger, as JSON and as CSV; the logbook agrees with both."""

import csv
import io
from datetime import timedelta
from itertools import combinations

import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from clinics.vocabulary import Role
from devices.vocabulary import UsageGroup
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.devices import (
    make_correction,
    make_fitted_handpiece,
    make_laser,
    make_pulse_entry,
)
from tests.support.factories import make_clinic, make_staff, now

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def world():
    officer = sign_in(Role.LASER_SAFETY_OFFICER)
    chain = officer.staff.chain
    lasers = [make_laser(make_clinic(chain, time_zone=zone)) for zone in ("UTC", "Asia/Tokyo")]
    people = [make_staff(chain, name=name) for name in ("Żofia Ωmega (invented)", "=1+1")]
    at = now() - 40 * DAY
    for number in range(24):
        laser = lasers[number % 2]
        tip = laser.fittings.first()
        tip = tip.handpiece if tip and number % 3 else make_fitted_handpiece(laser)
        entry = make_pulse_entry(
            laser,
            tip,
            pulses=100 + number,
            fired_at=at + number * timedelta(hours=17),
            operator=people[number % 2],
            line=tip.lines.order_by("pk")[number % 2],
        )
        if number % 5 == 0:
            make_correction(entry, -(number + 1))
    return officer, lasers


def period():
    return {"from_": (now() - 60 * DAY).isoformat(), "to": now().isoformat()}


def truth(where="true"):
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT coalesce(sum(pulses), 0) FROM devices_pulseentry WHERE {where}")
        return int(cursor.fetchone()[0])


def test_every_grouping_of_up_to_three_adds_up_to_the_ledger(world):
    officer, _ = world
    for size in range(4):
        for groups in combinations(UsageGroup, size):
            answer = officer.get("/usage-reports", group_by=",".join(groups), **period()).json()
            assert answer["total"]["pulses"] == truth(), groups
            assert sum(row["pulses"] for row in answer["rows"]) == truth()
            assert answer["total"]["entries"] == 24


@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(
    groups=st.lists(st.sampled_from(list(UsageGroup)), unique=True),
    hours=st.tuples(st.integers(0, 1000), st.integers(1, 1000)),
)
def test_any_period_and_grouping_adds_up(world, groups, hours):
    officer, _ = world
    start = now() - 45 * DAY + timedelta(hours=hours[0])
    end = start + timedelta(hours=hours[1])
    answer = officer.get(
        "/usage-reports", group_by=",".join(groups), from_=start.isoformat(), to=end.isoformat()
    ).json()
    within = truth(f"fired_at >= '{start.isoformat()}' AND fired_at < '{end.isoformat()}'")
    assert answer["total"]["pulses"] == within


def test_narrowed_to_a_laser(world):
    officer, lasers = world
    answer = officer.get("/usage-reports", laser=lasers[0].pk, **period()).json()
    assert answer["total"]["pulses"] == truth(f"laser_id = {lasers[0].pk}")


def test_csv_by_format_and_by_accept_is_safe_and_the_same(world):
    officer, _ = world
    by_format = officer.get("/usage-reports", group_by="operator", format="csv", **period())
    officer.client.credentials(**officer.client._credentials, HTTP_ACCEPT="text/csv")
    by_accept = officer.get("/usage-reports", group_by="operator", **period())
    assert by_accept.content == by_format.content
    assert by_format.headers["Content-Type"].startswith("text/csv")
    text = by_format.content.decode()
    assert text.count("\r\n") == 3
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert {row["operator_name"] for row in rows} == {"Żofia Ωmega (invented)", "'=1+1"}
    assert sum(int(row["pulses"]) for row in rows) == truth()


@pytest.mark.parametrize(
    "wrong", [{"group_by": "colour"}, {"format": "xml"}, {"group_by": "day,day"}, {"laser": "x"}]
)
def test_what_it_does_not_know_is_refused(world, wrong):
    assert_problem(world[0].get("/usage-reports", **period(), **wrong), 400)


def test_one_query_however_many_rows(world):
    officer, _ = world
    few = queries_of(officer, "/usage-reports", **period())
    assert queries_of(officer, "/usage-reports", group_by="laser,day,operator", **period()) == few


def test_other_chains_count_for_nothing(world):
    other = sign_in(Role.LASER_SAFETY_OFFICER)
    assert other.get("/usage-reports", **period()).json()["total"]["pulses"] == 0


def test_the_logbook_agrees_with_the_ledger_to_the_pulse(world):
    officer, lasers = world
    laser = lasers[0]
    for _ in range(120):
        make_pulse_entry(
            laser, laser.fittings.first().handpiece, pulses=7, fired_at=now() - 3 * DAY
        )
    answer = officer.get(f"/lasers/{laser.pk}/logbook", **period())
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == "application/pdf"
    reader = PdfReader(io.BytesIO(answer.content))
    pages = [page.extract_text() for page in reader.pages]
    text = "\n".join(pages)
    expected = truth(f"laser_id = {laser.pk}")
    assert f"Sum of the period: {expected} pulses" in text
    head = laser.pulse_entries.order_by("-sequence")[0]
    assert bytes(head.digest).hex() in text
    assert f"Page 1 of {len(pages)}" in pages[0]
    assert len(pages) > 3
    assert all("For planning and records only" in page for page in pages)
    assert "Żofia Ωmega (invented)" in text
    assert text.count("Digest (SHA-256)") >= 3
    flat = text.replace("\n", "")
    for entry in laser.pulse_entries.all():
        assert bytes(entry.digest).hex()[:32] in flat
    assert "Signatures" in pages[-1]


def test_no_logbook_of_another_chain_and_none_for_the_operator(world):
    _, lasers = world
    other = sign_in(Role.LASER_SAFETY_OFFICER)
    assert_problem(other.get(f"/lasers/{lasers[0].pk}/logbook", **period()), 404)
    operator = sign_in(Role.LASER_OPERATOR, clinic=lasers[0].clinic)
    assert_problem(operator.get(f"/lasers/{lasers[0].pk}/logbook", **period()), 403)
