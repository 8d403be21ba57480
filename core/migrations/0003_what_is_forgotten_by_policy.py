"""Some rows that only grow go when the chain's policy keeps them no longer, and by nothing else.

A table says so by an argument of its trigger (`forgotten`). The deletion is a function of the
tables' owner that says `fallow.forgetting`; another role can say so too, and gains nothing by it.
"""

from django.db import migrations

GUARD = """
    CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
    DECLARE
        is_owner boolean :=
            current_user::regrole = (SELECT relowner FROM pg_class WHERE oid = TG_RELID);
    BEGIN
        IF TG_OP = 'UPDATE' AND current_setting('fallow.erasing', true) = 'on' AND is_owner THEN
            RETURN NEW;
        END IF;
        IF TG_OP = 'DELETE' AND TG_NARGS > 0 AND TG_ARGV[0] = 'forgotten'
           AND current_setting('fallow.forgetting', true) = 'on' AND is_owner
        THEN
            RETURN OLD;
        END IF;
        RAISE EXCEPTION '% only grows: % is refused', TG_TABLE_NAME, TG_OP
            USING ERRCODE = 'restrict_violation', CONSTRAINT = TG_NAME, TABLE = TG_TABLE_NAME;
    END $$;
"""
BEFORE = """
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


class Migration(migrations.Migration):
    dependencies = [("core", "0002_erasure_passes_the_guard")]

    operations = [migrations.RunSQL(GUARD, BEFORE)]
