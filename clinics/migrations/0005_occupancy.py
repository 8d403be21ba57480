"""Occupancy: compact rows of bits that a trigger keeps beside the reservations."""

import django.db.models.deletion
import django.db.models.functions.text
import django.db.models.lookups
from django.db import migrations, models

# A cell that a reservation only touches is busy. Firm reservations alone count.
EXPECTED = """
CREATE FUNCTION occupancy_expected(resources bigint[], days date[])
RETURNS TABLE (resource_id bigint, day date, bits bytea) LANGUAGE sql STABLE AS $$
    SELECT wanted.resource_id, wanted.day, substring(bit_send(coalesce(
        bit_or(((~ B'0'::bit(288)) << (288 - cell.until + cell.since)) >> cell.since)
            FILTER (WHERE busy.id IS NOT NULL),
        B'0'::bit(288)
    )) FROM 5)
    FROM unnest(resources, days) AS wanted (resource_id, day)
    CROSS JOIN LATERAL (
        SELECT wanted.day::timestamp AT TIME ZONE 'UTC' AS starts,
               (wanted.day + 1)::timestamp AT TIME ZONE 'UTC' AS ends
    ) AS utc
    LEFT JOIN clinics_reservation AS busy
        ON busy.resource_id = wanted.resource_id
        AND busy.period && tstzrange(utc.starts, utc.ends)
        AND busy.status <> 'busy-tentative'
    LEFT JOIN LATERAL (
        SELECT greatest(0, floor(date_part('epoch', lower(busy.period) - utc.starts) / 300))::int
                   AS since,
               least(288, ceil(date_part('epoch', upper(busy.period) - utc.starts) / 300))::int
                   AS until
    ) AS cell ON true
    GROUP BY 1, 2
$$;
"""

# The locks are those that a booking takes, in the same order: a writer that took none queues
# here, and reads what the one before it has committed.
REFRESH = """
CREATE FUNCTION occupancy_refresh(resources bigint[], days date[])
RETURNS void LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    PERFORM id FROM clinics_resource WHERE id = ANY (resources) ORDER BY id FOR NO KEY UPDATE;
    INSERT INTO clinics_occupancy AS kept (resource_id, day, bits)
    SELECT * FROM occupancy_expected(resources, days) AS expected ORDER BY 1, 2
    ON CONFLICT (resource_id, day) DO UPDATE SET bits = excluded.bits
    WHERE kept.bits <> excluded.bits;
END $$;
"""

DAYS = """
CREATE FUNCTION occupancy_days(status text, period tstzrange)
RETURNS SETOF date LANGUAGE sql STABLE AS $$
    SELECT generate_series(
        (lower(period) AT TIME ZONE 'UTC')::date,
        ((upper(period) - interval '1 microsecond') AT TIME ZONE 'UTC')::date,
        interval '1 day'
    )::date
    WHERE status <> 'busy-tentative'
$$;
"""

# The kind of each resource is asked by its key: joined, a planner that expects many rows in a
# statement's transition table reads all resources of a chain, patients among them.
ARRIVED = """
            SELECT DISTINCT resource_id, day
            FROM arrived, occupancy_days(status, period) AS day
"""
GONE = ARRIVED.replace("arrived", "gone")
CHANGED = """
            SELECT resource_id, day FROM arrived, occupancy_days(status, period) AS day
            UNION SELECT resource_id, day FROM gone, occupancy_days(status, period) AS day
"""


def touched(rows):
    return f"""
        SELECT array_agg(touched.resource_id), array_agg(touched.day) INTO resources, days
        FROM ({rows}        ) AS touched
        WHERE (SELECT kind FROM clinics_resource WHERE id = touched.resource_id) <> 'patient';"""  # noqa: S608


FOLLOW = f"""
CREATE FUNCTION occupancy_follow() RETURNS trigger LANGUAGE plpgsql
SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    resources bigint[];
    days date[];
BEGIN
    IF TG_OP = 'INSERT' THEN{touched(ARRIVED)}
    ELSIF TG_OP = 'DELETE' THEN{touched(GONE)}
    ELSE{touched(CHANGED)}
    END IF;
    IF resources IS NOT NULL THEN
        PERFORM occupancy_refresh(resources, days);
    END IF;
    RETURN NULL;
END $$;
"""

TRIGGERS = """
CREATE TRIGGER occupancy_follows_insert AFTER INSERT ON clinics_reservation
    REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT EXECUTE FUNCTION occupancy_follow();
CREATE TRIGGER occupancy_follows_update AFTER UPDATE ON clinics_reservation
    REFERENCING OLD TABLE AS gone NEW TABLE AS arrived
    FOR EACH STATEMENT EXECUTE FUNCTION occupancy_follow();
CREATE TRIGGER occupancy_follows_delete AFTER DELETE ON clinics_reservation
    REFERENCING OLD TABLE AS gone FOR EACH STATEMENT EXECUTE FUNCTION occupancy_follow();
"""

# Rows are written again and again while their day fills: room for that beside them.
ROOM = "ALTER TABLE clinics_occupancy SET (fillfactor = 80);"

REVERSE = """
DROP TRIGGER occupancy_follows_insert ON clinics_reservation;
DROP TRIGGER occupancy_follows_update ON clinics_reservation;
DROP TRIGGER occupancy_follows_delete ON clinics_reservation;
DROP FUNCTION occupancy_follow();
DROP FUNCTION occupancy_refresh(bigint[], date[]);
DROP FUNCTION occupancy_expected(bigint[], date[]);
DROP FUNCTION occupancy_days(text, tstzrange);
"""


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0004_reservations"),
    ]

    operations = [
        migrations.CreateModel(
            name="Occupancy",
            fields=[
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "resource_id",
                        "day",
                        blank=True,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                (
                    "resource",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="occupancy",
                        to="clinics.resource",
                    ),
                ),
                ("day", models.DateField()),
                ("bits", models.BinaryField(max_length=36)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=django.db.models.lookups.Exact(
                            django.db.models.functions.text.Length("bits"), 36
                        ),
                        name="occupancy_bits_of_a_day",
                    )
                ],
            },
        ),
        migrations.RunSQL(
            sql=ROOM + EXPECTED + REFRESH + DAYS + FOLLOW + TRIGGERS, reverse_sql=REVERSE
        ),
    ]
