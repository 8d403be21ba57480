"""Chains are kept apart twice: by what queries ask for, and by what PostgreSQL shows."""

import psycopg
import pytest
from django.apps import apps
from django.db import ProgrammingError, connection, transaction

from clinics.models import Clinic
from clinics.querysets import ChainScoped
from clinics.vocabulary import Role
from core import isolation
from core.db import reading, unit, within_chain
from devices.models import Laser, LockOut
from tests.support.api import assert_problem, sign_in
from tests.support.booking import make_stage
from tests.support.devices import make_laser
from tests.support.factories import make_actor, make_clinic
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db

OF_NO_CHAIN = {
    "account.EmailAddress",
    "account.EmailConfirmation",
    "auth.Group",
    "auth.Group_permissions",
    "auth.Permission",
    "auth.User",
    "auth.User_groups",
    "auth.User_user_permissions",
    "clinics.AccessToken",
    "clinics.SignInFailure",
    "clinics.SignInSession",
    "contenttypes.ContentType",
    "core.IdempotencyRecord",
    "mfa.Authenticator",
    "sessions.Session",
}
"""Sign-ins, and what is found by a secret only. A new table is added here on purpose."""


def seen_by_the_web(model, *, chain_id=None):
    with as_web_process(), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT set_config('fallow.chain', %s, true)", [str(chain_id or "")])
        return set(model._base_manager.values_list("pk", flat=True))


def test_every_table_is_confined_or_named_here():
    assert {model._meta.label for model in isolation.unconfined_models()} == OF_NO_CHAIN


def test_every_policy_stands():
    with connection.cursor() as cursor:
        cursor.execute("SELECT relname FROM pg_class WHERE relrowsecurity")
        secured = {table for (table,) in cursor.fetchall()}
    assert secured == set(isolation.policies())


def test_securing_again_changes_nothing():
    assert isolation.secure() == []


def test_a_table_that_lost_its_policy_gets_it_back():
    with connection.cursor() as cursor:
        cursor.execute("DROP POLICY own_chain ON devices_laser")
    assert isolation.secure() == ["devices_laser"]


CONFINED = sorted(
    (
        model
        for model in isolation.confined_models()
        if hasattr(model._default_manager, "visible_to")
    ),
    key=lambda model: model._meta.label,
)


@pytest.fixture
def two_chains():
    return make_stage(), make_stage()


@pytest.mark.parametrize("model", CONFINED, ids=lambda model: model._meta.label)
def test_both_walls_show_the_same(two_chains, model):
    own, other = two_chains
    shown = {
        stage: set(
            model._default_manager.visible_to(
                make_actor(Role.CHAIN_MANAGER, chain=stage.chain)
            ).values_list("pk", flat=True)
        )
        for stage in two_chains
    }
    for stage in two_chains:
        assert seen_by_the_web(model, chain_id=stage.chain.pk) == shown[stage]
    assert seen_by_the_web(model) == set()
    if shown[own]:
        assert not shown[own] & shown[other]


def test_the_owner_of_the_tables_sees_all_chains(two_chains):
    own, other = two_chains
    assert {own.laser.pk, other.laser.pk} <= set(Laser.objects.values_list("pk", flat=True))


class TestForgottenFilter:
    """What the second wall is for: a query that forgot whose rows it may show."""

    @pytest.fixture(autouse=True)
    def _forget(self, monkeypatch):
        monkeypatch.setattr(ChainScoped, "visible_to", lambda rows, _: rows.all())

    def test_shows_no_row_of_another_chain(self):
        officer, other = sign_in(Role.LASER_SAFETY_OFFICER), make_laser()
        assert_problem(officer.get(f"/lasers/{other.pk}"), 404)
        assert officer.get("/lasers").json()["items"] == []

    def test_control_without_the_wall_it_does(self, monkeypatch):
        monkeypatch.setattr("tests.support.walls._say", lambda _: None)
        officer, other = sign_in(Role.LASER_SAFETY_OFFICER), make_laser()
        assert officer.get(f"/lasers/{other.pk}").status_code == 200

    def test_changes_no_row_of_another_chain(self):
        officer, other = sign_in(Role.LASER_SAFETY_OFFICER), make_laser()
        answer = officer.patch(f"/lasers/{other.pk}", {"label": "Mine now"}, version=1)
        assert_problem(answer, 404)
        other.refresh_from_db()
        assert other.label != "Mine now"


def test_a_row_cannot_point_into_another_chain(two_chains):
    own, other = two_chains
    with (
        as_web_process(),
        pytest.raises(ProgrammingError) as refused,
        within_chain(own.chain.pk),
        reading(),
    ):
        Clinic.objects.filter(pk=own.clinic.pk).update(chain_id=other.chain.pk)
    assert isinstance(refused.value.__cause__, psycopg.errors.InsufficientPrivilege)


def test_a_unit_names_its_chain(two_chains):
    own, _ = two_chains
    with as_web_process(), within_chain(own.chain.pk):
        found = unit(lambda: set(Laser.objects.values_list("pk", flat=True)))
    assert found == {own.laser.pk}


def test_a_web_process_owns_nothing():
    with as_web_process(), connection.cursor() as cursor:
        cursor.execute(
            "SELECT rolsuper OR rolbypassrls OR rolcanlogin FROM pg_roles"
            " WHERE rolname = current_user"
        )
        assert cursor.fetchone() == (False,)
        cursor.execute(
            "SELECT count(*) FROM pg_class WHERE relowner = to_regrole(current_user::text)"
        )
        assert cursor.fetchone() == (0,)


@pytest.mark.parametrize(
    "statement",
    [
        "ALTER TABLE devices_laser DISABLE ROW LEVEL SECURITY",
        "DROP POLICY own_chain ON devices_laser",
        "TRUNCATE devices_pulseentry",
        "ALTER TABLE devices_pulseentry DISABLE TRIGGER USER",
    ],
)
def test_a_web_process_cannot_take_the_wall_down(statement):
    with (
        as_web_process(),
        pytest.raises(ProgrammingError),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


def test_models_come_from_our_apps_only():
    ours = {"clinics", "courses", "devices"}
    assert {model._meta.app_label for model in isolation.confined_models()} == ours
    assert apps.get_model("clinics.Chain") in isolation.confined_models()


def test_lock_outs_of_another_chain_are_not_counted(two_chains):
    assert seen_by_the_web(LockOut, chain_id=make_clinic().chain_id) == set()
