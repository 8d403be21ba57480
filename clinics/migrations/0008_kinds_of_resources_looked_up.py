"""Occupancy asks the kind of each resource by its key.

Joined, a planner that expects many rows in a statement's transition table reads all resources of
a chain, patients among them, for one booking.
"""

from django.db import migrations

JOINED = "JOIN clinics_resource AS own ON own.id = touched.resource_id\n        WHERE own.kind"
LOOKED_UP = "\n        WHERE (SELECT kind FROM clinics_resource WHERE id = touched.resource_id)"
ARRIVED = """
            SELECT DISTINCT resource_id, day
            FROM arrived, occupancy_days(status, period) AS day
"""
GONE = ARRIVED.replace("arrived", "gone")
CHANGED = """
            SELECT resource_id, day FROM arrived, occupancy_days(status, period) AS day
            UNION SELECT resource_id, day FROM gone, occupancy_days(status, period) AS day
"""


def follow(kind: str) -> str:
    """The trigger's function, asking for kinds in one way or the other."""

    def touched(rows: str) -> str:
        return f"""
        SELECT array_agg(touched.resource_id), array_agg(touched.day) INTO resources, days
        FROM ({rows}        ) AS touched {kind} <> 'patient';"""  # noqa: S608

    return f"""
CREATE OR REPLACE FUNCTION occupancy_follow() RETURNS trigger LANGUAGE plpgsql
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


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0007_periods_found_by_index_inside_the_wall"),
    ]

    operations = [migrations.RunSQL(follow(LOOKED_UP), follow(JOINED))]
