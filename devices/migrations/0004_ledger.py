"""Every pulse: a ledger that only grows, and each laser's entries a chain of digests.

Encoding version 1, as `devices.hashchain` describes it, is the binary format of a row. The database
links what is inserted.
"""

import django.db.models.deletion
from django.db import migrations, models

import devices.vocabulary
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


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0003_checks"),
    ]

    operations = [
        migrations.CreateModel(
            name="PulseEntry",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="pulse_entries",
                        to="devices.laser",
                    ),
                ),
                (
                    "handpiece",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="pulse_entries",
                        to="devices.handpiece",
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="pulse_entries",
                        to="devices.emissionline",
                    ),
                ),
                ("pulses", models.BigIntegerField()),
                (
                    "purpose",
                    models.CharField(
                        choices=[
                            ("treatment", "treatment"),
                            ("test_fire", "test fire"),
                            ("calibration", "calibration"),
                            ("correction", "correction"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "operator",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="pulse_entries",
                        to="clinics.staffmember",
                    ),
                ),
                ("fired_at", models.DateTimeField()),
                (
                    "corrects",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="corrections",
                        to="devices.pulseentry",
                    ),
                ),
                ("reason", models.CharField(blank=True, max_length=400)),
                ("source", models.CharField(blank=True, max_length=64)),
                ("entry_key", models.CharField(max_length=200)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("ended_at", models.DateTimeField(help_text="When the firing was over", null=True)),
                ("spot_mm", models.FloatField(null=True)),
                ("fluence_j_cm2", models.FloatField(null=True)),
                ("rate_hz", models.FloatField(null=True)),
                (
                    "energy_j",
                    models.FloatField(help_text="Of one pulse, from fluence and spot", null=True),
                ),
                ("total_energy_j", models.FloatField(null=True)),
                (
                    "area_cm2",
                    models.FloatField(
                        help_text="Of all spots; overlap is not taken off", null=True
                    ),
                ),
                ("average_power_w", models.FloatField(null=True)),
                ("encoding", models.PositiveSmallIntegerField(db_default=0, editable=False)),
                ("sequence", models.PositiveBigIntegerField(db_default=0, editable=False)),
                (
                    "previous",
                    models.BinaryField(db_default=b"", help_text="Digest of the entry before"),
                ),
                ("digest", models.BinaryField(db_default=b"")),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(fields=["laser", "fired_at"], name="pulseentry_laser_time"),
                    models.Index(
                        fields=["handpiece", "fired_at"], name="pulseentry_handpiece_time"
                    ),
                    models.Index(fields=["fired_at", "id"], name="pulseentry_time"),
                    models.Index(fields=["source"], name="pulseentry_source"),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("laser", "entry_key"), name="pulseentry_key_once"
                    ),
                    models.UniqueConstraint(
                        fields=("laser", "sequence"), name="pulseentry_chain_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("purpose__in", ["treatment", "test_fire", "calibration", "correction"])
                        ),
                        name="pulseentry_purpose_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("ended_at__gte", models.F("fired_at"))),
                        name="pulseentry_ends_after_start",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("area_cm2__isnull", False),
                                ("average_power_w__isnull", False),
                                ("energy_j__isnull", False),
                                ("fluence_j_cm2__isnull", False),
                                ("rate_hz__isnull", False),
                                ("spot_mm__isnull", False),
                                ("total_energy_j__isnull", False),
                            ),
                            models.Q(
                                ("area_cm2__isnull", True),
                                ("average_power_w__isnull", True),
                                ("energy_j__isnull", True),
                                ("fluence_j_cm2__isnull", True),
                                ("rate_hz__isnull", True),
                                ("spot_mm__isnull", True),
                                ("total_energy_j__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="pulseentry_setting_whole",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("corrects__isnull", True),
                                ("pulses__gt", 0),
                                models.Q(
                                    ("purpose", devices.vocabulary.PulsePurpose["CORRECTION"]),
                                    _negated=True,
                                ),
                            ),
                            models.Q(
                                models.Q(("pulses", 0), _negated=True),
                                models.Q(("reason", ""), _negated=True),
                                ("corrects__isnull", False),
                                ("purpose", devices.vocabulary.PulsePurpose["CORRECTION"]),
                            ),
                            _connector="OR",
                        ),
                        name="pulseentry_only_corrections_are_signed",
                    ),
                ],
            },
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
                (
                    "laser",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="ledger_heads",
                        to="devices.laser",
                    ),
                ),
                ("sequence", models.PositiveBigIntegerField()),
                ("digest", models.BinaryField()),
                ("noted_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.UniqueConstraint(fields=("laser", "sequence"), name="ledgerhead_once")
                ],
            },
        ),
        append_only_sql("devices_pulseentry"),
        append_only_sql("devices_ledgerhead"),
        migrations.RunSQL(
            sql=DIGEST_SQL, reverse_sql="DROP FUNCTION pulse_entry_digest(devices_pulseentry);"
        ),
        migrations.RunSQL(
            sql=LINK_SQL,
            reverse_sql=(
                "DROP TRIGGER devices_pulseentry_linked ON devices_pulseentry;"
                "DROP FUNCTION link_pulse_entry();"
            ),
        ),
    ]
