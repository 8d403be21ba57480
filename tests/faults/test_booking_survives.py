"""Workers are killed and PostgreSQL crashes while clients book: what was said is what is there."""

import random
from dataclasses import dataclass

import pytest

from tests.support.booking_truth import Findings, judge
from tests.support.crowd import Crowd, Ledger, with_troubles
from tests.support.web import Backing
from tests.support.web_arena import Size, make_web_arena, occupancy_is_kept

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

ATTEMPTS = 400
CLIENTS = 8


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What is left after the troubles."""

    own: Backing
    ledger: Ledger
    findings: Findings
    kills: int


@pytest.fixture(scope="module")
def aftermath(servers, tmp_path_factory):
    own = servers.copied("booking", folder=tmp_path_factory.mktemp("booking"))
    arena = make_web_arena(Size(callers=40), environment=own.environment())
    web = own.web()
    web.start()
    try:
        crowd = Crowd.of(arena, port=web.port, clients=CLIENTS, attempts=ATTEMPTS)
        chance = random.Random(4)
        kills = []

        def kill() -> None:
            kills.append(web.kill_worker(chance))

        troubles = {
            60: kill,
            120: own.abort_postgres,
            180: kill,
            240: own.restart_postgres,
            300: kill,
            340: own.crash_postgres,
        }
        ledger = with_troubles(crowd, troubles)
    finally:
        web.end()
    with own.connect() as connection:
        findings = judge(connection, ledger)
    return Aftermath(own, ledger, findings, kills=sum(kills))


def test_what_was_answered_is_what_is_there(aftermath):
    assert len(aftermath.ledger.settled) == ATTEMPTS
    assert aftermath.findings.wrong() == {}
    assert occupancy_is_kept(environment=aftermath.own.environment())


def test_troubles_were_met_and_told_as_problems(aftermath):
    answers = aftermath.ledger.answers
    assert aftermath.kills == 3
    assert sum(number for what, number in answers.items() if what.startswith("broken")) > 0
    assert answers["503 database_unavailable"] > 0
    assert aftermath.ledger.unfit == []


def test_everything_was_tried_and_there_was_a_fight(aftermath):
    done = {one.kind for one in aftermath.ledger.settled if one.done}
    assert done == {"book", "hold", "move", "cancel", "confirm"}
    assert aftermath.ledger.answers["409 slot_taken"] > 0


BOOKED = "(SELECT min(id) FROM courses_appointment WHERE status = 'booked')"
OF_BOOKED = f"source = 'appointment:' || {BOOKED}"


@pytest.mark.parametrize(
    ("injury", "seen"),
    [
        (
            (
                "ALTER TABLE clinics_reservation DROP CONSTRAINT reservation_no_overlap;"
                " INSERT INTO clinics_reservation"
                " (resource_id, period, status, reason, source, created_at)"
                " SELECT resource_id, period, status, reason, 'control:1', created_at"
                f" FROM clinics_reservation WHERE {OF_BOOKED}"
            ),
            {"overlaps", "stray"},
        ),
        (
            (
                "DELETE FROM clinics_reservation WHERE id ="
                f" (SELECT min(id) FROM clinics_reservation WHERE {OF_BOOKED})"
            ),
            {"unreserved"},
        ),
        (
            f"UPDATE courses_appointment SET version = version + 1 WHERE id = {BOOKED}",
            {"differing"},
        ),
        (
            (
                "DELETE FROM core_idempotencyrecord WHERE id ="
                " (SELECT id FROM core_idempotencyrecord LIMIT 1)"
            ),
            {"unkept"},
        ),
        (
            (
                "UPDATE core_idempotencyrecord SET key = 'control' WHERE id ="
                " (SELECT id FROM core_idempotencyrecord LIMIT 1)"
            ),
            {"unkept", "unasked"},
        ),
        (
            (
                "UPDATE clinics_occupancy SET bits = decode(repeat('ff', 36), 'hex') WHERE day ="
                " (SELECT max(day) FROM clinics_occupancy)"
            ),
            {"occupancy"},
        ),
    ],
    ids=["overlap", "lost-reservation", "changed", "lost-record", "foreign-record", "occupancy"],
)
def test_control_the_checks_see_an_injury(aftermath, injury, seen):
    with aftermath.own.connect() as connection, connection.transaction(force_rollback=True):
        connection.execute(injury)
        assert set(judge(connection, aftermath.ledger).wrong()) == seen
