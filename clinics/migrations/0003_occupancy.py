"""Occupancy: compact rows of bits that a trigger keeps beside the reservations."""

import django.db.models.deletion
import django.db.models.functions.text
import django.db.models.lookups
from django.db import migrations, models

import core.vocabulary

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
RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    PERFORM id FROM clinics_resource WHERE id = ANY (resources) ORDER BY id FOR NO KEY UPDATE;
    INSERT INTO clinics_occupancy AS kept (resource_id, day, bits)
    SELECT * FROM occupancy_expected(resources, days) AS expected ORDER BY 1, 2
    ON CONFLICT (resource_id, day) DO UPDATE SET bits = excluded.bits
    WHERE kept.bits <> excluded.bits;
END $$;
"""

FOLLOW = """
CREATE FUNCTION occupancy_follow() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    resources bigint[];
    days date[];
BEGIN
    IF TG_OP = 'INSERT' THEN
        SELECT array_agg(touched.resource_id), array_agg(touched.day) INTO resources, days
        FROM (SELECT DISTINCT resource_id, day FROM arrived, occupancy_days(status, period) AS day)
            AS touched JOIN clinics_resource AS own ON own.id = touched.resource_id
        WHERE own.kind <> 'patient';
    ELSIF TG_OP = 'DELETE' THEN
        SELECT array_agg(touched.resource_id), array_agg(touched.day) INTO resources, days
        FROM (SELECT DISTINCT resource_id, day FROM gone, occupancy_days(status, period) AS day)
            AS touched JOIN clinics_resource AS own ON own.id = touched.resource_id
        WHERE own.kind <> 'patient';
    ELSE
        SELECT array_agg(touched.resource_id), array_agg(touched.day) INTO resources, days
        FROM (
            SELECT resource_id, day FROM arrived, occupancy_days(status, period) AS day
            UNION SELECT resource_id, day FROM gone, occupancy_days(status, period) AS day
        ) AS touched JOIN clinics_resource AS own ON own.id = touched.resource_id
        WHERE own.kind <> 'patient';
    END IF;
    IF resources IS NOT NULL THEN
        PERFORM occupancy_refresh(resources, days);
    END IF;
    RETURN NULL;
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

FILL = """
SELECT occupancy_refresh(array_agg(resource_id), array_agg(day)) FROM (
    SELECT DISTINCT resource_id, day
    FROM clinics_reservation, occupancy_days(status, period) AS day
    WHERE resource_id IN (SELECT id FROM clinics_resource WHERE kind <> 'patient')
) AS touched HAVING count(*) > 0;
"""

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
        ("clinics", "0002_holds_per_caller"),
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
                ]
            },
        ),
        migrations.AddIndex(
            model_name="reservation",
            index=models.Index(
                condition=models.Q(("status", core.vocabulary.ReservationStatus["BUSY_TENTATIVE"])),
                fields=["resource", "expires_at"],
                name="reservation_held",
            ),
        ),
        migrations.RunSQL(
            sql=ROOM + EXPECTED + REFRESH + DAYS + FOLLOW + TRIGGERS + FILL, reverse_sql=REVERSE
        ),
    ]
