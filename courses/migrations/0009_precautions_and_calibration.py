"""Answers about precautions, runs of calibration, and what was decided about both."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.models import append_only_sql
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_calibrationrun": [
        "accepted>superseded",
        "accepted>withdrawn",
        "proposed>accepted",
        "proposed>refused",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0008_healing"),
    ]

    operations = [
        migrations.CreateModel(
            name="PrecautionAnswers",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "patient",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="precaution_answers",
                        to="courses.patient",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        help_text="Where they were given; its clock says on which day",
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.clinic",
                    ),
                ),
                ("questionnaire_version", models.CharField(max_length=16)),
                (
                    "answers",
                    models.JSONField(help_text="Option code or ISO date by key of the question"),
                ),
                ("answered_on", models.DateField()),
                ("expires_on", models.DateField()),
                (
                    "recorded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("recorded_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["patient", "answered_on", "id"],
                "indexes": [
                    models.Index(
                        fields=["patient", "answered_on", "id"], name="precautionanswers_patient"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("expires_on__gte", models.F("answered_on"))),
                        name="precautionanswers_expire_after_answer",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("answers", {}), _negated=True),
                        name="precautionanswers_not_empty",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="PrecautionDecision",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "patient",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="precaution_decisions",
                        to="courses.patient",
                    ),
                ),
                ("precaution", models.CharField(help_text="Id of the precaution", max_length=48)),
                (
                    "kind",
                    models.CharField(
                        choices=[("clear", "clear"), ("withdraw", "withdraw")], max_length=8
                    ),
                ),
                ("reason", models.CharField(max_length=400)),
                (
                    "decided_on",
                    models.DateField(help_text="Local date at the patient's home clinic"),
                ),
                (
                    "valid_until",
                    models.DateField(
                        blank=True, help_text="Included; none: without end", null=True
                    ),
                ),
                (
                    "decided_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("decided_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["patient", "id"],
                "indexes": [
                    models.Index(
                        fields=["patient", "precaution", "-id"], name="precautiondecision_newest"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["clear", "withdraw"])),
                        name="precautiondecision_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True),
                        name="precautiondecision_has_reason",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("valid_until__gte", models.F("decided_on"))),
                        name="precautiondecision_ends_after_decision",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="CalibrationRun",
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
                        related_name="calibration_runs",
                        to="clinics.chain",
                    ),
                ),
                ("number", models.PositiveIntegerField(help_text="Counts the runs of the chain")),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("proposed", "proposed"),
                            ("accepted", "accepted"),
                            ("refused", "refused"),
                            ("superseded", "superseded"),
                            ("withdrawn", "withdrawn"),
                            ("inconclusive", "inconclusive"),
                        ],
                        max_length=16,
                    ),
                ),
                ("courses", models.PositiveIntegerField(help_text="Courses looked at")),
                (
                    "reached",
                    models.PositiveIntegerField(help_text="Courses that reached their goal"),
                ),
                (
                    "multiplier",
                    models.FloatField(help_text="Proposed sessions per point", null=True),
                ),
                (
                    "coefficient_of_variation",
                    models.FloatField(help_text="Proposed spread", null=True),
                ),
                (
                    "prior_version",
                    models.CharField(help_text="The prior that predicted", max_length=40),
                ),
                ("report", models.JSONField()),
                (
                    "requested_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
            ],
            options={
                "ordering": ["chain", "number"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    "proposed",
                                    "accepted",
                                    "refused",
                                    "superseded",
                                    "withdrawn",
                                    "inconclusive",
                                ],
                            )
                        ),
                        name="calibrationrun_status_known",
                    ),
                    models.UniqueConstraint(
                        fields=("chain", "number"), name="calibrationrun_number_once_per_chain"
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(
                            ("status", courses.vocabulary.CalibrationStatus["ACCEPTED"])
                        ),
                        fields=("chain",),
                        name="calibrationrun_one_accepted",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status", courses.vocabulary.CalibrationStatus["INCONCLUSIVE"]),
                            models.Q(
                                ("coefficient_of_variation__gte", 0.05),
                                ("coefficient_of_variation__lte", 1),
                                ("multiplier__gt", 0),
                                ("multiplier__lte", 3),
                            ),
                            _connector="OR",
                        ),
                        name="calibrationrun_proposes_a_prior",
                    ),
                ],
            },
        ),
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
                    "run",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="decisions",
                        to="courses.calibrationrun",
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
                (
                    "decided_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("decided_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["run", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["accept", "refuse", "withdraw"])),
                        name="calibrationdecision_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True),
                        name="calibrationdecision_has_reason",
                    ),
                ],
            },
        ),
        append_only_sql("courses_precautionanswers"),
        append_only_sql("courses_precautiondecision"),
        append_only_sql("courses_calibrationdecision"),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
