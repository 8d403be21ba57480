"""Answers about precautions, decisions about them, and calibration runs."""

import django.db.models.deletion
from django.db import migrations, models

from core.models import append_only_sql
from core.transitions import drop_trigger_sql, trigger_sql

STEPS = [
    "accepted>superseded",
    "accepted>withdrawn",
    "proposed>accepted",
    "proposed>refused",
]
RUNS = "courses_calibrationrun"


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_initial"),
        ("courses", "0004_recall_occasions_and_calls"),
    ]

    operations = [
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
                ("decided_at", models.DateTimeField(null=True)),
                ("decision_reason", models.CharField(blank=True, max_length=400)),
                (
                    "chain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="calibration_runs",
                        to="clinics.chain",
                    ),
                ),
                (
                    "decided_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
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
                        condition=models.Q(("status", "accepted")),
                        fields=("chain",),
                        name="calibrationrun_one_accepted",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status", "inconclusive"),
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
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("decided_at", None),
                                ("decided_by", None),
                                (
                                    "status__in",
                                    (
                                        "proposed",
                                        "inconclusive",
                                    ),
                                ),
                            ),
                            models.Q(
                                models.Q(("decision_reason", ""), _negated=True),
                                ("decided_at__isnull", False),
                                ("decided_by__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="calibrationrun_decision_is_signed",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="PrecautionAnswers",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("questionnaire_version", models.CharField(max_length=16)),
                (
                    "answers",
                    models.JSONField(help_text="Option code or ISO date by key of the question"),
                ),
                ("answered_on", models.DateField()),
                ("expires_on", models.DateField()),
                ("recorded_at", models.DateTimeField()),
                (
                    "clinic",
                    models.ForeignKey(
                        help_text="Where they were given; its clock says on which day",
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.clinic",
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
                    "recorded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
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
                ("decided_at", models.DateTimeField()),
                (
                    "decided_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
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
        append_only_sql("courses_precautionanswers"),
        append_only_sql("courses_precautiondecision"),
        migrations.RunSQL(
            sql=trigger_sql(table=RUNS, steps=STEPS), reverse_sql=drop_trigger_sql(table=RUNS)
        ),
    ]
