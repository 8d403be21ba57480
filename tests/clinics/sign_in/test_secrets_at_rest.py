"""No secret that could be used stands in the database: every column of every table is looked at."""

import json
from datetime import timedelta

import pytest
from allauth.mfa.models import Authenticator
from cryptography.fernet import Fernet
from django.apps import apps
from django.db import connection
from django.utils import timezone

from clinics.models import SignInSession
from clinics.sessions import SessionStore, digest
from clinics.vocabulary import Role
from core import secrets_at_rest
from tests.support.api import anonymous, sign_in
from tests.support.factories import PASSWORD, make_membership, make_staff
from tests.support.sign_in import code_of, signed_in

pytestmark = pytest.mark.django_db


def whole_database() -> str:
    """Everything that stands in the tables of all apps, as text."""
    told = []
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            if model._meta.managed and not model._meta.proxy:
                cursor.execute(f'SELECT to_jsonb(t)::text FROM "{model._meta.db_table}" AS t')
                told += [text for (text,) in cursor.fetchall()]
    return "\n".join(told)


@pytest.fixture
def secrets():
    """One of each kind, in use: what somebody could come in with."""
    manager = sign_in(Role.CHAIN_MANAGER)
    staff = make_staff(manager.staff.chain, user=True)
    make_membership(staff, Role.INTEGRATOR)
    body = {"user_name": staff.user.username, "password": PASSWORD}
    token = anonymous().post("/tokens", body).json()["token"]
    person, setting_up = signed_in(staff), signed_in(make_staff(staff.chain, user=True))
    setting_up.prove()
    offered = setting_up.get("/account/authenticators/totp").json()["meta"]["secret"]
    person.set_up()
    codes = person.get("/account/authenticators/recovery-codes").json()["data"]["unused_codes"]
    asked = {
        "staff_member": staff.pk,
        "name": "diary screen",
        "scopes": ["reading"],
        "expires_at": (timezone.now() + timedelta(days=1)).isoformat(),
    }
    machine = manager.post("/machine-tokens", asked).json()["token"]
    return {
        "password": PASSWORD,
        "token of a person": token,
        "token of a machine": machine,
        "session": person.session_token,
        "secret of a second factor": person.secret,
        "secret that is being set up": offered,
        "code for recovery": codes[0],
        "code that was given": code_of(person.secret),
    }


def test_none_is_found_in_any_column_of_any_table(secrets):
    told = whole_database()
    assert digest(secrets["session"]) in told, "the look finds what is there"
    assert {name for name, secret in secrets.items() if secret in told} == set()


def test_every_column_that_holds_a_secret_is_a_digest_or_encrypted(secrets):
    for row in Authenticator.objects.all():
        kept = row.data.get("secret") or row.data["seed"]
        assert secrets_at_rest.decrypt(kept) not in kept
    for row in SignInSession.objects.all():
        assert len(row.session_key) == 64
        json.loads(secrets_at_rest.decrypt(row.session_data))


class TestKeys:
    """The first key writes, all of them read."""

    def test_what_an_old_key_wrote_is_read_until_the_key_is_gone(self, settings):
        old, new = Fernet.generate_key().decode(), Fernet.generate_key().decode()
        settings.FALLOW_ENCRYPTION_KEYS = [old]
        kept = secrets_at_rest.encrypt("invented")
        settings.FALLOW_ENCRYPTION_KEYS = [new, old]
        assert secrets_at_rest.decrypt(kept) == "invented"
        renewed = secrets_at_rest.renewed(kept)
        settings.FALLOW_ENCRYPTION_KEYS = [new]
        assert secrets_at_rest.decrypt(renewed) == "invented"
        with pytest.raises(secrets_at_rest.InvalidToken):
            secrets_at_rest.decrypt(kept)

    def test_the_same_text_never_looks_the_same(self):
        assert secrets_at_rest.encrypt("invented") != secrets_at_rest.encrypt("invented")

    def test_a_session_under_a_key_that_is_gone_is_over(self, settings):
        person = signed_in(make_staff(user=True))
        settings.FALLOW_ENCRYPTION_KEYS = [Fernet.generate_key().decode()]
        assert person.get("/me").status_code == 401
        assert SessionStore(person.session_token).get("_auth_user_id") is None
