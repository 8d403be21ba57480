"""Erasures that were asked for, and what each wrote over."""

import django.db.models.deletion
from django.db import migrations, models

from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0020_replan_proposals"),
    ]

    operations = [
        migrations.CreateModel(
            name="Erasure",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
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
                ("reason", models.CharField(help_text="Names no patient", max_length=400)),
                ("retained_until", models.DateField(null=True)),
                (
                    "asked_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("asked_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True), name="erasure_has_reason"
                    )
                ],
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
                (
                    "erasure",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="done",
                        to="courses.erasure",
                    ),
                ),
                ("rows", models.JSONField()),
                ("done_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        append_only_sql("courses_erasure"),
        append_only_sql("courses_erasuredone"),
    ]
