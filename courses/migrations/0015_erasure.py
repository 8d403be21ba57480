"""A patient's personal data go: who asked for it, why, and that it is done."""

import django.db.models.deletion
from django.db import migrations, models

from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0011_retention_policy"),
        ("courses", "0014_since_when_a_patient_is_ready"),
    ]

    operations = [
        migrations.AddField(
            model_name="patient",
            name="erased_at",
            field=models.DateTimeField(
                editable=False,
                help_text="Erasure was asked for: the record is closed, and goes on under a pseudonym",
                null=True,
            ),
        ),
        migrations.CreateModel(
            name="Erasure",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("reason", models.CharField(help_text="Names no patient", max_length=400)),
                ("retained_until", models.DateField(null=True)),
                ("asked_at", models.DateTimeField()),
                (
                    "asked_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "patient",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="erasure",
                        to="courses.patient",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="ErasureDone",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("rows", models.JSONField()),
                ("done_at", models.DateTimeField()),
                (
                    "erasure",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="done",
                        to="courses.erasure",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.AddConstraint(
            model_name="erasure",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True), name="erasure_has_reason"
            ),
        ),
        append_only_sql("courses_erasure"),
        append_only_sql("courses_erasuredone"),
    ]
