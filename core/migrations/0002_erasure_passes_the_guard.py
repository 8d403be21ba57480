"""Rows that only grow may lose personal data: by the erasure of a person, and nothing else.

The erasure is a function of the tables' owner that says `fallow.erasing` for itself. Another role
can say so too, and gains nothing by it. Also: which role changes a row, seen from a function that
runs with the rights of another.
"""

from django.db import migrations

GUARD = """
    CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF TG_OP = 'UPDATE' AND current_setting('fallow.erasing', true) = 'on'
           AND current_user::regrole = (SELECT relowner FROM pg_class WHERE oid = TG_RELID)
        THEN
            RETURN NEW;
        END IF;
        RAISE EXCEPTION '% only grows: % is refused', TG_TABLE_NAME, TG_OP
            USING ERRCODE = 'restrict_violation', CONSTRAINT = TG_NAME, TABLE = TG_TABLE_NAME;
    END $$;
"""
BEFORE = """
    CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        RAISE EXCEPTION '% only grows: % is refused', TG_TABLE_NAME, TG_OP
            USING ERRCODE = 'restrict_violation', CONSTRAINT = TG_NAME, TABLE = TG_TABLE_NAME;
    END $$;
"""
ROLE = """
    CREATE FUNCTION acting_role() RETURNS text LANGUAGE sql STABLE AS $$
        SELECT CASE current_setting('role') WHEN 'none' THEN session_user::text
               ELSE current_setting('role') END
    $$;
"""


class Migration(migrations.Migration):
    dependencies = [("core", "0001_initial")]

    operations = [
        migrations.RunSQL(GUARD, BEFORE),
        migrations.RunSQL(ROLE, "DROP FUNCTION acting_role()"),
    ]
