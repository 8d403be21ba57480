"""A chain begins with one command; its manager makes the rest over the API."""

import pytest
from django.core.management import CommandError, call_command

from clinics.models import Chain, StaffMember
from tests.support.api import Caller, anonymous
from tests.support.factories import PASSWORD

pytestmark = pytest.mark.django_db

ASKED = ("open_chain", "Invented chain", "--manager", "Robin Example", "--user-name", "robin")


@pytest.fixture(autouse=True)
def _password(monkeypatch):
    monkeypatch.setenv("FALLOW_MANAGER_PASSWORD", PASSWORD)


def test_the_first_manager_signs_in_and_adds_a_clinic(capsys):
    call_command(*ASKED)
    assert "may sign in" in capsys.readouterr().out
    token = anonymous().post("/tokens", {"user_name": "robin", "password": PASSWORD})
    assert token.status_code == 201
    manager = Caller(StaffMember.objects.get())
    body = {"name": "Harbour", "time_zone": "Europe/Berlin", "country": "DE"}
    assert manager.post("/clinics", body).status_code == 201


@pytest.mark.parametrize("twice", ["chain", "user"])
def test_a_second_one_of_the_same_name_is_refused_and_leaves_nothing(twice):
    call_command(*ASKED)
    again = list(ASKED)
    again[1 if twice == "user" else -1] = "another"
    with pytest.raises(CommandError, match="exists" if twice == "chain" else "taken"):
        call_command(*again)
    assert Chain.objects.count() == StaffMember.objects.count() == 1


def test_a_weak_password_is_refused(monkeypatch):
    monkeypatch.setenv("FALLOW_MANAGER_PASSWORD", "12345678901234")
    with pytest.raises(CommandError, match="numeric"):
        call_command(*ASKED)
    assert not Chain.objects.exists()
