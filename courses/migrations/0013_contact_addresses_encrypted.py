"""Addresses of patients are encrypted, and found by a blind index.

Processes with the code of before go on: they read and write the plain columns, which stay filled.
`manage.py rotate_keys` takes over what they wrote and empties the plain columns, once they are
gone; the columns go with a later release. Until then a trigger keeps a changed address from
being found under its old one.
"""

from django.db import migrations, models
from django.db.models import Q

import core.encryption
from core.rotation import SealedColumn, column_renew_batch

POINTS = SealedColumn(
    table="courses_contactpoint",
    sealed="address_sealed",
    plain="address",
    index="address_index",
    realm="(SELECT chain_id FROM courses_patient WHERE id = row.patient_id)",
)
CONSENTS = SealedColumn(table="courses_consent", sealed="address_sealed", plain="address")

DEFAULTS = """
ALTER TABLE courses_contactpoint ALTER COLUMN address SET DEFAULT '';
ALTER TABLE courses_consent ALTER COLUMN address SET DEFAULT '';
ALTER TABLE courses_contactpoint DROP CONSTRAINT contactpoint_once_per_patient;
"""
NO_DEFAULTS = """
ALTER TABLE courses_contactpoint ALTER COLUMN address DROP DEFAULT;
ALTER TABLE courses_consent ALTER COLUMN address DROP DEFAULT;
ALTER TABLE courses_contactpoint
    ADD CONSTRAINT contactpoint_once_per_patient UNIQUE (patient_id, channel, address);
"""

# Whichever code changes an address, what the other kept of it is out of date.
IN_STEP = """
CREATE FUNCTION contactpoint_in_step() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.address <> OLD.address AND NEW.address_sealed = OLD.address_sealed
            AND NEW.address <> '' THEN
        NEW.address_sealed := '';
        NEW.address_index := '';
    ELSIF NEW.address_index <> OLD.address_index AND OLD.address_index <> ''
            AND NEW.address = OLD.address
            AND current_setting('fallow.erasing', true) IS DISTINCT FROM 'on' THEN
        NEW.address := '';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER courses_contactpoint_in_step BEFORE UPDATE ON courses_contactpoint
FOR EACH ROW EXECUTE FUNCTION contactpoint_in_step();
"""
NOT_IN_STEP = """
DROP TRIGGER courses_contactpoint_in_step ON courses_contactpoint;
DROP FUNCTION contactpoint_in_step();
"""

ONCE = """
CREATE UNIQUE INDEX CONCURRENTLY IF NOT EXISTS contactpoint_address_once
ON courses_contactpoint (patient_id, channel, address_index) WHERE NOT address_index = ''
"""
FOUND = """
CREATE INDEX CONCURRENTLY IF NOT EXISTS contactpoint_address_index
ON courses_contactpoint (address_index)
"""


def fill(apps, schema_editor):  # noqa: ARG001 - as the framework names them
    for column in (POINTS, CONSENTS):
        after = 0
        while after is not None:
            after = column_renew_batch(column=column, after=after, keep_plain=True).last


def sealed(**options):
    return core.encryption.EncryptedTextField(
        db_column="address_sealed", db_default="", default="", max_length=254, **options
    )


class Migration(migrations.Migration):
    atomic = False

    dependencies = [
        ("clinics", "0010_sign_ins"),
        ("core", "0002_erasure_passes_the_guard"),
        ("courses", "0012_answers_to_messages"),
    ]

    operations = [
        migrations.AddField("contactpoint", "sealed", sealed()),
        migrations.AddField("consent", "sealed", sealed()),
        migrations.AddField(
            "contactpoint",
            "address_index",
            core.encryption.BlindIndexField(default="", db_default=""),
        ),
        migrations.RunSQL(IN_STEP, NOT_IN_STEP),
        migrations.SeparateDatabaseAndState(
            database_operations=[migrations.RunSQL(DEFAULTS, NO_DEFAULTS)],
            state_operations=[
                migrations.RemoveConstraint("contactpoint", "contactpoint_once_per_patient"),
                migrations.RemoveField("contactpoint", "address"),
                migrations.RemoveField("consent", "address"),
                migrations.RenameField("contactpoint", "sealed", "address"),
                migrations.RenameField("consent", "sealed", "address"),
            ],
        ),
        migrations.RunPython(fill, migrations.RunPython.noop),
        migrations.SeparateDatabaseAndState(
            database_operations=[
                migrations.RunSQL(ONCE, "DROP INDEX contactpoint_address_once"),
                migrations.RunSQL(FOUND, "DROP INDEX contactpoint_address_index"),
            ],
            state_operations=[
                migrations.AddConstraint(
                    "contactpoint",
                    models.UniqueConstraint(
                        fields=["patient", "channel", "address_index"],
                        condition=~Q(address_index=""),
                        name="contactpoint_address_once",
                    ),
                ),
                migrations.AddIndex(
                    "contactpoint",
                    models.Index(fields=["address_index"], name="contactpoint_address_index"),
                ),
            ],
        ),
    ]
