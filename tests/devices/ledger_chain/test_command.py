"""`verify_ledger` prints a head to be kept elsewhere, takes it back, and names what is broken."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from tests.support.ledger import make_chain_of, without_triggers

pytestmark = pytest.mark.django_db


def verify(*arguments):
    told = StringIO()
    failed = ""
    try:
        call_command("verify_ledger", *arguments, stdout=told)
    except CommandError as error:
        failed = str(error)
    return told.getvalue().splitlines(), failed


@pytest.fixture
def laser():
    return make_chain_of(4)


@pytest.mark.parametrize("how", [[], ["--independent"]])
def test_a_chain_that_holds(laser, how):
    lines, failed = verify(*how)
    assert lines[0].endswith(", holds")
    assert (lines[-1], failed) == ("1 lasers, 4 entries, 0 broken", "")


@pytest.mark.parametrize("how", [[], ["--independent"]])
def test_a_printed_head_finds_a_tail_that_was_cut_off(laser, how):
    printed = verify()[0][0].split("head ")[1].split(",")[0]
    with without_triggers() as sql:
        sql.execute("DELETE FROM devices_pulseentry WHERE sequence = 4")
    assert verify(*how)[1] == ""
    lines, failed = verify("--head", printed, *how)
    assert "BROKEN at entry 4: tail_missing" in lines[0]
    assert failed == "The ledger is not what was written."


def test_names_the_entry_that_was_changed(laser):
    with without_triggers() as sql:
        sql.execute("UPDATE devices_pulseentry SET pulses = 1 WHERE sequence = 2")
    lines, failed = verify("--laser", str(laser.pk))
    assert "BROKEN at entry 2 (id " in lines[0]
    assert "content_changed" in lines[0]
    assert failed


@pytest.mark.parametrize(
    "arguments", [["--laser", "999999"], ["--head", "1:2:3"], ["--head", f"999999:1:{'0' * 64}"]]
)
def test_refuses_what_is_not_there(laser, arguments):
    assert verify(*arguments)[1]
