"""People sign in with a password and a code; sessions end; nothing is left of who is removed."""


import pytest
from django.utils import timezone

from clinics.vocabulary import Role
from tests.support.factories import make_membership, make_staff
from tests.support.sign_in import Person, signed_in

pytestmark = pytest.mark.django_db

START = timezone.now().replace(microsecond=0)


@pytest.fixture
def desk():
    staff = make_staff(user=True)
    make_membership(staff, Role.FRONT_DESK)
    return staff


def test_a_password_begins_a_session_that_works(desk):
    person = Person(desk)
    answer = person.login()
    assert answer.status_code == 200
    assert answer.json()["data"]["user"] == {"username": desk.user.username}
    assert person.get("/me").json()["staff_member"] == desk.pk
    assert person.get("/clinics").status_code == 200


def test_enrolment():
    staff = make_staff(user=True)
    person = signed_in(staff)
    answer = person.set_up()
    assert answer.status_code == 200, answer.json()
