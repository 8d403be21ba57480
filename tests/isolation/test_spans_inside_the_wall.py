"""Inside the wall between chains an index finds what touches a span, and only the chain's."""

from datetime import timedelta

import pytest
from django.db import connection

from clinics.models import Occupancy, Reservation, Shift
from core.db import reading, within_chain
from tests.support.booking import NOW, make_stage
from tests.support.factories import make_reservation, span
from tests.support.walls import as_web_process

pytestmark = pytest.mark.django_db

PAST = 400
DAY = timedelta(days=1)
FETCHED = "SELECT idx_tup_fetch + seq_tup_read FROM pg_stat_xact_user_tables WHERE relname = %s"


@pytest.fixture
def two_chains():
    return make_stage(), make_stage()


def touching(function, keys, *, days=2):
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT id FROM {function}(%s::bigint[], %s, %s)", [keys, NOW, NOW + days * DAY]
        )
        return {pk for (pk,) in cursor.fetchall()}


def test_only_the_chain_that_is_named_is_seen(two_chains):
    kept = [make_reservation(stage.room.resource, span(NOW)) for stage in two_chains]
    rooms = [stage.room.resource_id for stage in two_chains]
    clinics = [stage.clinic.pk for stage in two_chains]
    own = two_chains[0]
    with as_web_process(), within_chain(own.chain.pk), reading():
        assert touching("clinics_reservation_touching", rooms) == {kept[0].pk}
        assert touching("clinics_reservation_touching_of_chain", rooms) == {kept[0].pk}
        seen = touching("clinics_shift_touching", clinics)
    assert seen
    assert seen <= set(Shift.objects.filter(clinic=own.clinic).values_list("pk", flat=True))


def test_without_a_chain_nothing_is_seen_and_the_owner_sees_all(two_chains):
    kept = {make_reservation(stage.room.resource, span(NOW)).pk for stage in two_chains}
    rooms = [stage.room.resource_id for stage in two_chains]
    with as_web_process(), reading():
        assert touching("clinics_reservation_touching", rooms) == set()
        assert touching("clinics_reservation_touching_of_chain", rooms) == set()
    assert touching("clinics_reservation_touching", rooms) == kept


class TestPast:
    """A room with many past reservations, and one to come."""

    @pytest.fixture
    def stage(self):
        stage = make_stage()
        for day in range(PAST):
            make_reservation(stage.room.resource, span(NOW - (day + 5) * DAY))
        make_reservation(stage.room.resource, span(NOW + timedelta(hours=1)))
        with connection.cursor() as cursor:
            # So small a table would be read whole where no index may be asked.
            cursor.execute("SET LOCAL enable_seqscan = off")
            cursor.execute("DISCARD PLANS")
        return stage

    def fetched(self):
        with connection.cursor() as cursor:
            cursor.execute(FETCHED, ["clinics_reservation"])
            return cursor.fetchone()[0]

    def test_is_not_read(self, stage):
        with as_web_process(), within_chain(stage.chain.pk), reading():
            before = self.fetched()
            found = touching("clinics_reservation_touching", [stage.room.resource_id])
            assert (len(found), self.fetched() - before) == (1, 1)

    def test_control_a_query_of_the_table_reads_all_of_it(self, stage):
        rows = Reservation.objects.filter(resource=stage.room.resource).overlapping(
            span(NOW, minutes=2880)
        )
        with as_web_process(), within_chain(stage.chain.pk), reading():
            before = self.fetched()
            assert rows.count() == 1
            assert self.fetched() - before > PAST

    def test_is_not_read_to_keep_the_occupancy_either(self, stage):
        with as_web_process(), within_chain(stage.chain.pk), reading():
            before = self.fetched()
            make_reservation(stage.room.resource, span(NOW + timedelta(hours=3)))
            assert self.fetched() - before < 10
        [row] = Occupancy.objects.filter(resource=stage.room.resource, day=NOW.date())
        assert sum(byte.bit_count() for byte in bytes(row.bits)) == 24
