"""What was changed, and who read whose record."""

import django.contrib.postgres.indexes
import django.db.models.deletion
from django.db import migrations, models

from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0005_occupancy"),
    ]

    operations = [
        migrations.CreateModel(
            name="Change",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "transaction",
                    models.BigIntegerField(help_text="The same for all that was changed at once"),
                ),
                (
                    "chain",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.DO_NOTHING,
                        related_name="+",
                        to="clinics.chain",
                    ),
                ),
                ("record", models.CharField(help_text="Kind of the row", max_length=48)),
                ("row_id", models.BigIntegerField()),
                ("patient_id", models.BigIntegerField(null=True)),
                ("laser_id", models.BigIntegerField(null=True)),
                ("appointment_id", models.BigIntegerField(null=True)),
                (
                    "operation",
                    models.CharField(choices=[("C", "C"), ("U", "U"), ("D", "D")], max_length=1),
                ),
                ("before", models.JSONField(null=True)),
                ("after", models.JSONField(null=True)),
                (
                    "staff_id",
                    models.BigIntegerField(
                        help_text="Null: no member of staff asked for it", null=True
                    ),
                ),
                ("request_id", models.CharField(max_length=128)),
                ("reason", models.CharField(max_length=400)),
                ("database_role", models.CharField(max_length=63)),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(
                        condition=models.Q(("patient_id__isnull", False)),
                        fields=["patient_id", "id"],
                        name="change_of_patient",
                    ),
                    models.Index(
                        condition=models.Q(("laser_id__isnull", False)),
                        fields=["laser_id", "id"],
                        name="change_of_laser",
                    ),
                    models.Index(
                        condition=models.Q(("appointment_id__isnull", False)),
                        fields=["appointment_id", "id"],
                        name="change_of_appointment",
                    ),
                    django.contrib.postgres.indexes.BrinIndex(fields=["at"], name="change_time"),
                ],
            },
        ),
        migrations.CreateModel(
            name="RecordRead",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "chain",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.DO_NOTHING,
                        related_name="+",
                        to="clinics.chain",
                    ),
                ),
                ("patient_id", models.BigIntegerField()),
                ("staff_id", models.BigIntegerField()),
                (
                    "operation",
                    models.CharField(help_text="Name of the address that showed it", max_length=80),
                ),
                ("request_id", models.CharField(max_length=128)),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(fields=["patient_id", "id"], name="recordread_of_patient"),
                    django.contrib.postgres.indexes.BrinIndex(
                        fields=["at"], name="recordread_time"
                    ),
                ],
            },
        ),
        append_only_sql("clinics_change", forgotten=True),
        append_only_sql("clinics_recordread", forgotten=True),
    ]
