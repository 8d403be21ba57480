"""Re-plans: outages, runs and rows; a recall that tells of a change."""

import django.contrib.postgres.fields
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

from core.transitions import drop_trigger_sql, trigger_sql

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
    "courses_replanrun": [
        "in-progress>cancelled",
        "in-progress>completed",
        "in-progress>failed",
        "requested>cancelled",
        "requested>in-progress",
    ],
    "courses_replanrow": ["placed>moved", "unplaced>cancelled", "unplaced>waiting"],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0003_occupancy"),
        ("courses", "0007_calibration_decisions_kept"),
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
                    "status",
                    models.CharField(
                        choices=[
                            ("planning", "planning"),
                            ("proposed", "proposed"),
                            ("applied", "applied"),
                            ("failed", "failed"),
                            ("cancelled", "cancelled"),
                        ],
                        default="planning",
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
                ("applied_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["-id"],
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
            ],
            options={
                "ordering": ["run", "id"],
            },
        ),
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
                        default="requested",
                        max_length=12,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
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
            },
        ),
        migrations.RemoveConstraint(
            model_name="recall",
            name="recall_kind_known",
        ),
        migrations.RemoveConstraint(
            model_name="recall",
            name="recall_speaks_of_something",
        ),
        migrations.AlterField(
            model_name="recall",
            name="kind",
            field=models.CharField(
                choices=[
                    ("invitation", "invitation"),
                    ("reminder", "reminder"),
                    ("change", "change"),
                ],
                max_length=12,
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", "invitation"), ("window__isnull", False)),
                    models.Q(("appointment__isnull", False), ("kind__in", ["reminder", "change"])),
                    _connector="OR",
                ),
                name="recall_speaks_of_something",
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.CheckConstraint(
                condition=models.Q(("kind__in", ["invitation", "reminder", "change"])),
                name="recall_kind_known",
            ),
        ),
        migrations.AddField(
            model_name="replan",
            name="applied_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="replan",
            name="chain",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="replans",
                to="clinics.chain",
            ),
        ),
        migrations.AddField(
            model_name="replan",
            name="requested_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="replanoutage",
            name="replan",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE,
                related_name="outages",
                to="courses.replan",
            ),
        ),
        migrations.AddField(
            model_name="replanrow",
            name="appointment",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="replan_rows",
                to="courses.appointment",
            ),
        ),
        migrations.AddField(
            model_name="replanrow",
            name="recall",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="replan_rows",
                to="courses.recall",
            ),
        ),
        migrations.AddField(
            model_name="replanrun",
            name="follows",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="+",
                to="courses.replanrun",
            ),
        ),
        migrations.AddField(
            model_name="replanrun",
            name="replan",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE,
                related_name="runs",
                to="courses.replan",
            ),
        ),
        migrations.AddField(
            model_name="replanrow",
            name="run",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE,
                related_name="rows",
                to="courses.replanrun",
            ),
        ),
        migrations.AddIndex(
            model_name="replan",
            index=models.Index(fields=["chain", "-id"], name="replan_chain_newest"),
        ),
        migrations.AddConstraint(
            model_name="replan",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("status__in", ["planning", "proposed", "applied", "failed", "cancelled"])
                ),
                name="replan_status_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="replan",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("applied_at__isnull", False), ("status", "applied")),
                    models.Q(
                        models.Q(("status", "applied"), _negated=True), ("applied_at__isnull", True)
                    ),
                    _connector="OR",
                ),
                name="replan_applied_has_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanoutage",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("kind__in", ["laser", "operator", "room", "handpiece", "clinic"])
                ),
                name="replanoutage_kind_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanoutage",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("period__isempty", False),
                    ("period__lower_inf", False),
                    ("period__upper_inf", False),
                ),
                name="replanoutage_period_bounded",
            ),
        ),
        migrations.AddIndex(
            model_name="replanrun",
            index=models.Index(
                models.OrderBy(models.F("lease_until"), nulls_first=True),
                models.F("id"),
                condition=models.Q(("status__in", ("requested", "in-progress"))),
                name="replanrun_to_solve",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrun",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("status__in", ["requested", "in-progress", "completed", "failed", "cancelled"])
                ),
                name="replanrun_status_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrun",
            constraint=models.UniqueConstraint(
                fields=("replan", "number"), name="replanrun_number_once_per_replan"
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrun",
            constraint=models.UniqueConstraint(
                condition=models.Q(("status__in", ("requested", "in-progress"))),
                fields=("replan",),
                name="replanrun_one_at_a_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrun",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("status", "in-progress"), _negated=True),
                    ("lease_until__isnull", False),
                    _connector="OR",
                ),
                name="replanrun_in_progress_is_leased",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrow",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("status__in", ["placed", "unplaced", "moved", "cancelled", "waiting"])
                ),
                name="replanrow_status_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrow",
            constraint=models.UniqueConstraint(
                fields=("run", "appointment"), name="replanrow_appointment_once_per_run"
            ),
        ),
        migrations.AddConstraint(
            model_name="replanrow",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("new__isnull", False), ("status__in", ["placed", "moved"])),
                    models.Q(
                        models.Q(("status__in", ["placed", "moved"]), _negated=True),
                        ("new__isnull", True),
                        models.Q(("reasons", []), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="replanrow_placed_or_says_why",
            ),
        ),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
