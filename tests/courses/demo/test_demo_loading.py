"""Loaded once; the credentials open the doors they name."""

import json
import stat
from datetime import timedelta
from io import StringIO

from django.core.management import call_command

from clinics.models import Chain, Clinic, Credential, StaffMember
from clinics.vocabulary import Role
from courses.models import Patient
from devices.models import Laser, LaserAuthorisation, LockOut
from tests.support.api import anonymous
from tests.support.demo import LOADED_AT, PATIENTS, digest


def test_a_second_run_says_so_and_changes_nothing(demo):
    before, credentials = digest(), demo.path.read_text()
    said = StringIO()
    call_command("load_demo", patients=PATIENTS, seed=99, stdout=said)
    assert "there already" in said.getvalue()
    assert digest() == before
    assert demo.path.read_text() == credentials


def test_what_stands_in_the_chain(demo):
    assert "invented" in Chain.objects.get().name
    assert Patient.objects.count() == PATIENTS
    assert len(set(Clinic.objects.values_list("time_zone", flat=True))) == 3
    assert Laser.objects.count() == 8
    assert Laser.objects.filter(room=None).count() == 1
    assert LockOut.objects.filter(period__contains=LOADED_AT).count() == 1
    assert StaffMember.objects.filter(credentials__isnull=False).distinct().count() == 12
    ends = set(Credential.objects.values_list("valid_during__endswith", flat=True))
    assert LOADED_AT.date() + timedelta(days=19) in ends
    assert Credential.objects.exclude(wavelengths_nm=[]).exists()
    assert LaserAuthorisation.objects.exists()


def test_one_credential_for_each_role(demo, settings):
    assert {one["role"] for one in demo.credentials} == set(Role)
    assert stat.S_IMODE(demo.path.stat().st_mode) == 0o600
    for shown in demo.credentials:
        me = demo.caller(shown).get("/me").json()
        assert me["name"] == shown["name"]
        assert shown["role"] in {held["role"] for held in me["roles"]}
        signed_in = anonymous().post(
            "/tokens", {"user_name": shown["user_name"], "password": shown["password"]}
        )
        assert signed_in.status_code == 201


def test_renewed_sign_ins_end_the_old_ones(demo, settings, tmp_path):
    settings.FALLOW_CREDENTIALS_FILE = tmp_path / "other.json"
    call_command("load_demo", renew_sign_ins=True, stdout=StringIO())
    shown = json.loads(settings.FALLOW_CREDENTIALS_FILE.read_text())
    assert [one["user_name"] for one in shown] == [one["user_name"] for one in demo.credentials]
    assert demo.caller(demo.credentials[0]).get("/me").status_code == 401
    assert demo.caller(shown[0]).get("/me").status_code == 200
