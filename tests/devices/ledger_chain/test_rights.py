"""What a role may do that does not own the tables; what an owner could do is named elsewhere."""

import pytest
from django.conf import settings
from django.db import DatabaseError, connection, transaction

from core.db import sqlstate
from devices.models import LedgerHead, PulseEntry
from devices.services.ledger_heads import ledger_heads_note
from tests.support.factories import now
from tests.support.ledger import make_chain_of

pytestmark = pytest.mark.django_db

NO_RIGHT, ONLY_GROWS = "42501", "23001"


@pytest.fixture
def as_web_process():
    """The role of the web processes, which sees the rows of this chain and owns no table."""
    laser = make_chain_of(2)
    ledger_heads_note(now=now())
    connection.check_constraints()
    with connection.cursor() as sql:
        sql.execute("SELECT set_config('fallow.chain', %s, true)", [str(laser.chain_id)])
        sql.execute(f"SET ROLE {settings.FALLOW_APP_ROLE}")
        sql.execute("SELECT count(*) FROM devices_pulseentry")
        assert sql.fetchall() == [(2,)]
        yield sql
        sql.execute("RESET ROLE")


@pytest.mark.parametrize(
    ("statement", "state"),
    [
        ("ALTER TABLE devices_pulseentry DISABLE TRIGGER USER", NO_RIGHT),
        ("DROP TRIGGER devices_pulseentry_linked ON devices_pulseentry", NO_RIGHT),
        ("ALTER TABLE devices_pulseentry DROP CONSTRAINT pulseentry_chain_once", NO_RIGHT),
        ("SET session_replication_role = replica", NO_RIGHT),
        (
            (
                "CREATE OR REPLACE FUNCTION link_pulse_entry() RETURNS trigger LANGUAGE plpgsql"
                " AS 'BEGIN RETURN NEW; END'"
            ),
            NO_RIGHT,
        ),
        ("UPDATE devices_pulseentry SET digest = ''", ONLY_GROWS),
        ("UPDATE devices_pulseentry SET sequence = sequence + 100", ONLY_GROWS),
        ("DELETE FROM devices_pulseentry", ONLY_GROWS),
        ("TRUNCATE devices_pulseentry CASCADE", NO_RIGHT),
        ("TRUNCATE devices_laser CASCADE", NO_RIGHT),
        ("UPDATE devices_ledgerhead SET digest = ''", ONLY_GROWS),
        ("DELETE FROM devices_ledgerhead", ONLY_GROWS),
        ("TRUNCATE devices_ledgerhead", NO_RIGHT),
    ],
)
def test_the_ledger_is_out_of_reach(as_web_process, statement, state):
    with pytest.raises(DatabaseError) as caught, transaction.atomic():
        as_web_process.execute(statement)
    assert sqlstate(caught.value) == state
    as_web_process.execute("RESET ROLE")
    assert (PulseEntry.objects.count(), LedgerHead.objects.count()) == (2, 1)
