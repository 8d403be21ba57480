"""What a re-plan is asked for."""

import django.contrib.postgres.fields
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_replan": [
        "failed>cancelled",
        "failed>planning",
        "planning>cancelled",
        "planning>failed",
        "planning>proposed",
        "proposed>applied",
        "proposed>cancelled",
        "proposed>planning",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0018_watchers_of_messages"),
    ]

    operations = [
        migrations.CreateModel(
            name="Replan",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("updated_at", models.DateTimeField(auto_now=True)),
                (
                    "chain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="replans",
                        to="clinics.chain",
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("planning", "planning"),
                            ("proposed", "proposed"),
                            ("applied", "applied"),
                            ("failed", "failed"),
                            ("cancelled", "cancelled"),
                        ],
                        default=courses.vocabulary.ReplanStatus["PLANNING"],
                        max_length=12,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                (
                    "reason",
                    models.CharField(
                        blank=True, help_text="What happened, in words", max_length=200
                    ),
                ),
                (
                    "clinic_ids",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.BigIntegerField(), default=list, size=None
                    ),
                ),
                ("days", models.PositiveSmallIntegerField()),
                ("notice_hours", models.PositiveSmallIntegerField()),
                ("policy", models.JSONField(default=dict)),
                ("hits", models.PositiveIntegerField()),
                (
                    "requested_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "applied_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("applied_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [models.Index(fields=["chain", "-id"], name="replan_chain_newest")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                ["planning", "proposed", "applied", "failed", "cancelled"],
                            )
                        ),
                        name="replan_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("applied_at__isnull", False),
                                ("status", courses.vocabulary.ReplanStatus["APPLIED"]),
                            ),
                            models.Q(
                                models.Q(
                                    ("status", courses.vocabulary.ReplanStatus["APPLIED"]),
                                    _negated=True,
                                ),
                                ("applied_at__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="replan_applied_has_time",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ReplanOutage",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "replan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="outages",
                        to="courses.replan",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("laser", "laser"),
                            ("operator", "operator"),
                            ("room", "room"),
                            ("handpiece", "handpiece"),
                            ("clinic", "clinic"),
                        ],
                        max_length=12,
                    ),
                ),
                ("subject_id", models.BigIntegerField()),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
            ],
            options={
                "ordering": ["replan", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind__in", ["laser", "operator", "room", "handpiece", "clinic"])
                        ),
                        name="replanoutage_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="replanoutage_period_bounded",
                    ),
                ],
            },
        ),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
