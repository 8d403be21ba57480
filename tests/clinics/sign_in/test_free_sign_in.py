"""Who runs the service lets the only manager in again, who has lost the second factor."""

from datetime import timedelta

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.core.management import CommandError, call_command
from django.utils import timezone

from clinics.vocabulary import Role
from tests.support.api import assert_problem
from tests.support.factories import make_membership, make_staff
from tests.support.sign_in import Person, signed_in

pytestmark = pytest.mark.django_db


def test_takes_the_second_factor_away_and_lifts_the_lock(capsys):
    staff = make_staff(user=True)
    make_membership(staff, Role.CHAIN_MANAGER)
    person = signed_in(staff)
    person.set_up()
    with time_machine.travel(timezone.now() + timedelta(minutes=1), tick=False):
        lost = Person(staff)
        assert_problem(lost.login(), 401, "second_factor_needed")
        for _ in range(5):
            lost.give_code("000000")
        assert_problem(lost.give_code("000000"), 429, "sign_in_locked")
        call_command("free_sign_in", staff.user.username)
        assert "password alone" in capsys.readouterr().out
        assert not Authenticator.objects.exists()
        assert_problem(person.get("/me"), 401)
        assert lost.login().status_code == 200


def test_an_unknown_name_is_refused():
    with pytest.raises(CommandError, match="No such user name"):
        call_command("free_sign_in", "nobody")
