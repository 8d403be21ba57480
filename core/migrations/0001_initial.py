"""Extensions, trigger functions and remembered answers."""

import uuid

from django.contrib.postgres.operations import BtreeGistExtension
from django.db import migrations, models

from core.transitions import TRANSITION_FUNCTION_SQL

# Rows that only grow may be written over by the owner of the tables who says `fallow.erasing`, for
# secrecy. Where the trigger has the argument `forgotten`, rows that a policy keeps no longer go by
# an owner who says `fallow.forgetting`. Another role can say so too, and gains nothing by it.
GUARD = """
    CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
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
# Which role changes a row, seen from a function that runs with the rights of another.
ROLE = """
    CREATE FUNCTION acting_role() RETURNS text LANGUAGE sql STABLE AS $$
        SELECT CASE current_setting('role') WHEN 'none' THEN session_user::text
               ELSE current_setting('role') END
    $$;
"""


class Migration(migrations.Migration):
    initial = True

    dependencies = []

    operations = [
        BtreeGistExtension(),
        migrations.RunSQL(GUARD, "DROP FUNCTION refuse_change()"),
        migrations.RunSQL(ROLE, "DROP FUNCTION acting_role()"),
        migrations.RunSQL(
            sql=TRANSITION_FUNCTION_SQL, reverse_sql="DROP FUNCTION refuse_status_step();"
        ),
        migrations.CreateModel(
            name="IdempotencyRecord",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=uuid.uuid4, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("caller", models.CharField(help_text="Hash of the credential", max_length=64)),
                ("method", models.CharField(max_length=8)),
                ("path", models.CharField(max_length=300)),
                ("key", models.CharField(max_length=255)),
                (
                    "fingerprint",
                    models.CharField(help_text="SHA-256 of query and body", max_length=64),
                ),
                ("status", models.PositiveSmallIntegerField(null=True)),
                ("headers", models.JSONField(default=dict)),
                ("body", models.BinaryField(default=b"")),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("expires_at", models.DateTimeField()),
            ],
            options={
                "indexes": [models.Index(fields=["expires_at"], name="idempotencyrecord_expiry")],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("caller", "key", "method", "path"),
                        name="idempotencyrecord_key_once",
                    )
                ],
            },
        ),
    ]
