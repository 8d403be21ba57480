"""What clinicians decided of a calibration run is kept as rows of its own."""

import django.db.models.deletion
from django.db import migrations, models

from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0003_occupancy"),
        ("courses", "0006_series_waiting_list_gaps_and_feeds"),
    ]

    operations = [
        migrations.CreateModel(
            name="CalibrationDecision",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("accept", "accept"),
                            ("refuse", "refuse"),
                            ("withdraw", "withdraw"),
                        ],
                        max_length=8,
                    ),
                ),
                ("reason", models.CharField(max_length=400)),
                ("decided_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["run", "id"],
            },
        ),
        migrations.RemoveConstraint(
            model_name="calibrationrun",
            name="calibrationrun_decision_is_signed",
        ),
        migrations.RemoveField(
            model_name="calibrationrun",
            name="decided_at",
        ),
        migrations.RemoveField(
            model_name="calibrationrun",
            name="decided_by",
        ),
        migrations.RemoveField(
            model_name="calibrationrun",
            name="decision_reason",
        ),
        migrations.AddField(
            model_name="calibrationdecision",
            name="decided_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="calibrationdecision",
            name="run",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="decisions",
                to="courses.calibrationrun",
            ),
        ),
        migrations.AddConstraint(
            model_name="calibrationdecision",
            constraint=models.CheckConstraint(
                condition=models.Q(("kind__in", ["accept", "refuse", "withdraw"])),
                name="calibrationdecision_kind_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="calibrationdecision",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="calibrationdecision_has_reason",
            ),
        ),
        append_only_sql("courses_calibrationdecision"),
    ]
