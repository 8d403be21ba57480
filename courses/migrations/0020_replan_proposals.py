"""Runs of a re-plan, and the new slots that each proposes."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_replanrun": [
        "in-progress>cancelled",
        "in-progress>completed",
        "in-progress>failed",
        "requested>cancelled",
        "requested>in-progress",
    ],
    "courses_replanrow": [
        "placed>moved",
        "unplaced>cancelled",
        "unplaced>waiting",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("courses", "0019_replans"),
    ]

    operations = [
        migrations.CreateModel(
            name="ReplanRun",
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
                        related_name="runs",
                        to="courses.replan",
                    ),
                ),
                (
                    "number",
                    models.PositiveSmallIntegerField(help_text="Counts the runs of the re-plan"),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("requested", "requested"),
                            ("in-progress", "in progress"),
                            ("completed", "completed"),
                            ("failed", "failed"),
                            ("cancelled", "cancelled"),
                        ],
                        default=courses.vocabulary.TaskStatus["REQUESTED"],
                        max_length=12,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                (
                    "follows",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="courses.replanrun",
                    ),
                ),
                ("seed", models.PositiveIntegerField()),
                ("seconds", models.PositiveSmallIntegerField(help_text="Wall time at most")),
                ("attempt", models.PositiveSmallIntegerField(default=0)),
                ("lease_until", models.DateTimeField(null=True)),
                ("progress", models.JSONField(default=dict)),
                ("policy", models.JSONField(default=dict)),
                ("answer", models.JSONField(default=dict)),
                ("requested_at", models.DateTimeField()),
                ("started_at", models.DateTimeField(null=True)),
                ("ended_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["replan", "-number"],
                "indexes": [
                    models.Index(
                        models.OrderBy(models.F("lease_until"), nulls_first=True),
                        models.F("id"),
                        condition=models.Q(
                            (
                                "status__in",
                                (
                                    courses.vocabulary.TaskStatus["REQUESTED"],
                                    courses.vocabulary.TaskStatus["IN_PROGRESS"],
                                ),
                            )
                        ),
                        name="replanrun_to_solve",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                ["requested", "in-progress", "completed", "failed", "cancelled"],
                            )
                        ),
                        name="replanrun_status_known",
                    ),
                    models.UniqueConstraint(
                        fields=("replan", "number"), name="replanrun_number_once_per_replan"
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                (
                                    courses.vocabulary.TaskStatus["REQUESTED"],
                                    courses.vocabulary.TaskStatus["IN_PROGRESS"],
                                ),
                            )
                        ),
                        fields=("replan",),
                        name="replanrun_one_at_a_time",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("status", courses.vocabulary.TaskStatus["IN_PROGRESS"]),
                                _negated=True,
                            ),
                            ("lease_until__isnull", False),
                            _connector="OR",
                        ),
                        name="replanrun_in_progress_is_leased",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ReplanRow",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "run",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="rows",
                        to="courses.replanrun",
                    ),
                ),
                (
                    "appointment",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="replan_rows",
                        to="courses.appointment",
                    ),
                ),
                ("appointment_version", models.PositiveIntegerField()),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("placed", "placed"),
                            ("unplaced", "unplaced"),
                            ("moved", "moved"),
                            ("cancelled", "cancelled"),
                            ("waiting", "waiting"),
                        ],
                        max_length=12,
                    ),
                ),
                ("old", models.JSONField()),
                ("new", models.JSONField(null=True)),
                ("score", models.JSONField(default=dict)),
                ("reasons", models.JSONField(default=list)),
                (
                    "recall",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="replan_rows",
                        to="courses.recall",
                    ),
                ),
            ],
            options={
                "ordering": ["run", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["placed", "unplaced", "moved", "cancelled", "waiting"])
                        ),
                        name="replanrow_status_known",
                    ),
                    models.UniqueConstraint(
                        fields=("run", "appointment"), name="replanrow_appointment_once_per_run"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("new__isnull", False),
                                (
                                    "status__in",
                                    [
                                        courses.vocabulary.ReplanRowStatus["PLACED"],
                                        courses.vocabulary.ReplanRowStatus["MOVED"],
                                    ],
                                ),
                            ),
                            models.Q(
                                models.Q(
                                    (
                                        "status__in",
                                        [
                                            courses.vocabulary.ReplanRowStatus["PLACED"],
                                            courses.vocabulary.ReplanRowStatus["MOVED"],
                                        ],
                                    ),
                                    _negated=True,
                                ),
                                ("new__isnull", True),
                                models.Q(("reasons", []), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="replanrow_placed_or_says_why",
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
