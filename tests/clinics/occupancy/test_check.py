"""Occupancy broken on purpose is found, said and mended; what can be booked never hung on it."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from clinics.errors import ResourceTaken
from clinics.models import Occupancy, Reservation
from clinics.services.reservations import Wanted, reserve
from clinics.vocabulary import ResourceKind
from core.db import command
from tests.support.factories import instant, make_chain, make_reservation, make_resource, span
from tests.support.occupancy import busy_cells, cells_of

pytestmark = pytest.mark.django_db

NOW = instant("2026-03-02T08:00Z")
TEN = "2026-03-03T10:00Z"


@pytest.fixture(autouse=True)
def _at_stage(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def laser():
    laser = make_resource(make_chain())
    make_reservation(laser, span(TEN))
    return laser


def check(*options: str) -> str:
    out = StringIO()
    call_command("check_occupancy", *options, stdout=out)
    return out.getvalue()


def lose() -> None:
    Occupancy.objects.update(bits=bytes(36))


def invent(laser) -> None:
    Occupancy.objects.create(resource=laser, day=instant("2026-03-05T00:00Z"), bits=b"\xff" * 36)


def test_nothing_to_say_when_all_is_well(laser):
    assert check() == "0 mended\n"


def test_lost_bits_are_found_said_and_mended(laser):
    lose()
    assert f"resource {laser.pk} on 2026-03-03: 60 minutes reserved but shown as free" in check()
    assert busy_cells(laser) == cells_of(TEN, minutes=60)
    assert check() == "0 mended\n"


def test_a_lost_row_too(laser):
    Occupancy.objects.all().delete()
    assert "60 minutes reserved but shown as free" in check()
    assert busy_cells(laser) == cells_of(TEN, minutes=60)


def test_invented_bits_are_taken_away(laser):
    invent(laser)
    assert "1440 free but shown as reserved" in check()
    assert busy_cells(laser) == cells_of(TEN, minutes=60)


def test_a_report_mends_nothing_and_fails(laser):
    lose()
    with pytest.raises(CommandError, match="stale"):
        check("--report")
    assert busy_cells(laser) == set()


def test_days_before_the_first_are_left_alone(laser):
    lose()
    assert check("--since", "2026-03-04") == "0 mended\n"
    assert "60 minutes" in check("--since", "2026-03-03")


def test_many_resources_are_checked_in_lots(laser):
    others = [make_resource(laser.chain, ResourceKind.ROOM) for _ in range(450)]
    for other in others[::100]:
        make_reservation(other, span(TEN))
    lose()
    assert check().endswith("6 mended\n")


def test_a_taken_time_is_refused_whatever_the_bits_say(laser):
    lose()
    with pytest.raises(ResourceTaken):
        command(reserve)(
            wanted=[Wanted(resource_id=laser.pk, span=span(TEN))], source="appointment:2", now=NOW
        )
    assert Reservation.objects.count() == 1
