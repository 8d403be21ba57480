"""Reservations and shifts of a span are found by their index inside the wall between chains too.

PostgreSQL asks `&&` of a row only after the policy of its table (the operator is not marked
leakproof), so that a confined role reads every reservation that a resource ever had. These
functions ask the index with the rights of their owner, and show the rows of the chain that the
transaction names. For a role that no policy binds they show what it sees anyway. What
keeps the occupancy reads reservations in the same way; it writes nothing but what follows from
them.
"""

# ruff: noqa: S608 - the names are written below

from django.db import migrations

REFRESH = "occupancy_refresh(bigint[], date[])"


def touching(table: str, *, of: str, parent: str) -> str:
    """The two functions of one table; `of` is the column that they are given keys of."""
    found = f"""
        SELECT touched.* FROM {table} AS touched
        WHERE touched.{of} = ANY (keys) AND touched.period && tstzrange(since, until)
    """
    name = f"{table}_touching"
    takes = "(keys bigint[], since timestamptz, until timestamptz)"
    return f"""
        CREATE FUNCTION {name}_of_chain {takes}
        RETURNS SETOF {table} LANGUAGE plpgsql STABLE SECURITY DEFINER ROWS 20
        SET search_path = public, pg_temp AS $$
        BEGIN
            RETURN QUERY {found} AND EXISTS (
                SELECT FROM {parent} AS above
                WHERE above.id = touched.{of}
                AND above.chain_id = NULLIF(current_setting('fallow.chain', true), '')::bigint
            );
        END $$;
        CREATE FUNCTION {name} {takes}
        RETURNS SETOF {table} LANGUAGE plpgsql STABLE ROWS 20 AS $$
        BEGIN
            IF row_security_active('{table}') THEN
                RETURN QUERY SELECT * FROM {name}_of_chain(keys, since, until);
            ELSE
                RETURN QUERY {found};
            END IF;
        END $$;
    """


def without(table: str) -> str:
    """Both functions gone."""
    takes = "(bigint[], timestamptz, timestamptz)"
    return f"""
        DROP FUNCTION {table}_touching {takes};
        DROP FUNCTION {table}_touching_of_chain {takes};
    """


class Migration(migrations.Migration):
    dependencies = [("clinics", "0006_indexes_that_another_begins_with")]

    operations = [
        migrations.RunSQL(
            touching("clinics_reservation", of="resource_id", parent="clinics_resource"),
            without("clinics_reservation"),
        ),
        migrations.RunSQL(
            touching("clinics_shift", of="clinic_id", parent="clinics_clinic"),
            without("clinics_shift"),
        ),
        migrations.RunSQL(
            f"ALTER FUNCTION {REFRESH} SECURITY DEFINER SET search_path = public, pg_temp",
            f"ALTER FUNCTION {REFRESH} SECURITY INVOKER RESET search_path",
        ),
    ]
