"""Each laser's entries become a chain of digests; the database links what is inserted.

Encoding version 1, as `devices.hashchain` describes it, is the binary format of a row.
"""

import django.db.models.deletion
from django.db import migrations, models

from core.models import append_only_sql

DIGEST_SQL = """
CREATE FUNCTION pulse_entry_digest(entry devices_pulseentry) RETURNS bytea
LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT sha256(record_send(ROW(
        (entry).encoding, (entry).previous, (entry).id, (entry).laser_id, (entry).sequence,
        (entry).handpiece_id, (entry).line_id, (entry).pulses,
        convert_to((entry).purpose, 'UTF8'), (entry).operator_id, (entry).fired_at,
        (entry).ended_at, (entry).spot_mm, (entry).fluence_j_cm2, (entry).rate_hz,
        (entry).energy_j, (entry).total_energy_j, (entry).area_cm2, (entry).average_power_w,
        (entry).corrects_id, convert_to((entry).reason, 'UTF8'),
        convert_to((entry).source, 'UTF8'), convert_to((entry).entry_key, 'UTF8'),
        (entry).created_at
    )))
$$;
"""

# The laser's row orders those who write at once, also when they took no lock of their own.
LINK_SQL = """
CREATE FUNCTION link_pulse_entry() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    last record;
BEGIN
    PERFORM 1 FROM devices_laser WHERE id = NEW.laser_id FOR NO KEY UPDATE;
    SELECT sequence, digest INTO last FROM devices_pulseentry
        WHERE laser_id = NEW.laser_id ORDER BY sequence DESC LIMIT 1;
    NEW.encoding := 1;
    NEW.sequence := coalesce(last.sequence, 0) + 1;
    NEW.previous := coalesce(last.digest, decode(repeat('00', 32), 'hex'));
    NEW.digest := pulse_entry_digest(NEW);
    RETURN NEW;
END $$;
CREATE TRIGGER devices_pulseentry_linked BEFORE INSERT ON devices_pulseentry
    FOR EACH ROW EXECUTE FUNCTION link_pulse_entry();
"""

FILL_SQL = """
ALTER TABLE devices_pulseentry DISABLE TRIGGER devices_pulseentry_only_grows;
DO $$
DECLARE
    entry devices_pulseentry;
    last devices_pulseentry;
BEGIN
    FOR entry IN SELECT * FROM devices_pulseentry ORDER BY laser_id, id LOOP
        entry.encoding := 1;
        IF last.laser_id IS NOT DISTINCT FROM entry.laser_id THEN
            entry.sequence := last.sequence + 1;
            entry.previous := last.digest;
        ELSE
            entry.sequence := 1;
            entry.previous := decode(repeat('00', 32), 'hex');
        END IF;
        entry.digest := pulse_entry_digest(entry);
        UPDATE devices_pulseentry SET encoding = entry.encoding, sequence = entry.sequence,
            previous = entry.previous, digest = entry.digest WHERE id = entry.id;
        last := entry;
    END LOOP;
END $$;
ALTER TABLE devices_pulseentry ENABLE TRIGGER devices_pulseentry_only_grows;
"""


SETTING = ("spot_mm", "fluence_j_cm2", "rate_hz")
DERIVED = ("energy_j", "total_energy_j", "area_cm2", "average_power_w")
HELP = {
    "energy_j": "Of one pulse, from fluence and spot",
    "area_cm2": "Of all spots; overlap is not taken off",
}
WHOLE = SETTING + DERIVED


def number(name):
    return migrations.AddField(
        "pulseentry", name, models.FloatField(null=True, help_text=HELP.get(name, ""))
    )


class Migration(migrations.Migration):
    dependencies = [("devices", "0004_parts")]

    operations = [
        migrations.AddField(
            "pulseentry",
            "ended_at",
            models.DateTimeField(null=True, help_text="When the firing was over"),
        ),
        *(number(name) for name in WHOLE),
        migrations.AddField(
            "pulseentry",
            "encoding",
            models.PositiveSmallIntegerField(db_default=0, editable=False),
        ),
        migrations.AddField(
            "pulseentry", "sequence", models.PositiveBigIntegerField(db_default=0, editable=False)
        ),
        migrations.AddField(
            "pulseentry",
            "previous",
            models.BinaryField(db_default=b"", help_text="Digest of the entry before"),
        ),
        migrations.AddField("pulseentry", "digest", models.BinaryField(db_default=b"")),
        migrations.RunSQL(
            sql=DIGEST_SQL, reverse_sql="DROP FUNCTION pulse_entry_digest(devices_pulseentry);"
        ),
        migrations.RunSQL(sql=FILL_SQL, reverse_sql=migrations.RunSQL.noop),
        migrations.AddConstraint(
            "pulseentry",
            models.UniqueConstraint(fields=("laser", "sequence"), name="pulseentry_chain_once"),
        ),
        migrations.RunSQL(
            sql=LINK_SQL,
            reverse_sql=(
                "DROP TRIGGER devices_pulseentry_linked ON devices_pulseentry;"
                "DROP FUNCTION link_pulse_entry();"
            ),
        ),
        migrations.AddConstraint(
            "pulseentry",
            models.CheckConstraint(
                condition=models.Q(("ended_at__gte", models.F("fired_at"))),
                name="pulseentry_ends_after_start",
            ),
        ),
        migrations.AddConstraint(
            "pulseentry",
            models.CheckConstraint(
                condition=models.Q(**{f"{name}__isnull": False for name in WHOLE})
                | models.Q(**{f"{name}__isnull": True for name in WHOLE}),
                name="pulseentry_setting_whole",
            ),
        ),
        migrations.CreateModel(
            name="LedgerHead",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("sequence", models.PositiveBigIntegerField()),
                ("digest", models.BinaryField()),
                ("noted_at", models.DateTimeField()),
                (
                    "laser",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="ledger_heads",
                        to="devices.laser",
                    ),
                ),
            ],
            options={"ordering": ["id"]},
        ),
        migrations.AddConstraint(
            "ledgerhead",
            models.UniqueConstraint(fields=("laser", "sequence"), name="ledgerhead_once"),
        ),
        append_only_sql("devices_ledgerhead"),
    ]
