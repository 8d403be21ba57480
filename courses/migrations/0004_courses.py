"""Courses of treatment."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_course": [
        "active>completed",
        "active>entered-in-error",
        "active>on-hold",
        "active>revoked",
        "completed>entered-in-error",
        "draft>active",
        "draft>entered-in-error",
        "draft>revoked",
        "on-hold>active",
        "on-hold>completed",
        "on-hold>entered-in-error",
        "on-hold>revoked",
        "revoked>entered-in-error",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0003_tattoos"),
    ]

    operations = [
        migrations.CreateModel(
            name="Course",
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
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="courses",
                        to="clinics.chain",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        help_text="Where the course is led; sessions may happen at any clinic of the chain",
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="courses",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "patient",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="courses",
                        to="courses.patient",
                    ),
                ),
                (
                    "goal",
                    models.CharField(
                        choices=[("clear", "clear"), ("lighten", "lighten")],
                        default=courses.vocabulary.CourseGoal["CLEAR"],
                        max_length=16,
                    ),
                ),
                (
                    "target_clearance",
                    models.FloatField(default=0.95, help_text="Fraction of ink to be gone"),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("draft", "draft"),
                            ("active", "active"),
                            ("on-hold", "on hold"),
                            ("revoked", "revoked"),
                            ("completed", "completed"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=courses.vocabulary.CourseStatus["DRAFT"],
                        max_length=20,
                    ),
                ),
                (
                    "consented_on",
                    models.DateField(blank=True, help_text="Consent to treatment", null=True),
                ),
                ("started_on", models.DateField(blank=True, null=True)),
                ("ended_on", models.DateField(blank=True, null=True)),
                (
                    "end_reason",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("goal_reached", "goal reached"),
                            ("patient_stopped", "patient stopped"),
                            ("clinician_stopped", "clinician stopped"),
                            ("lost_to_follow_up", "lost to follow up"),
                            ("moved_away", "moved away"),
                            ("died", "died"),
                            ("entered_in_error", "entered in error"),
                        ],
                        max_length=24,
                    ),
                ),
                (
                    "status_reason",
                    models.CharField(
                        blank=True,
                        help_text="Why the last step of the status was taken",
                        max_length=400,
                    ),
                ),
                ("tattoos", models.ManyToManyField(related_name="courses", to="courses.tattoo")),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(fields=["chain", "status", "id"], name="course_chain_status")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("goal__in", ["clear", "lighten"])),
                        name="course_goal_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    "draft",
                                    "active",
                                    "on-hold",
                                    "revoked",
                                    "completed",
                                    "entered-in-error",
                                ],
                            )
                        ),
                        name="course_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("target_clearance__gt", 0), ("target_clearance__lte", 1)
                        ),
                        name="course_target_is_fraction",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("end_reason", ""),
                                (
                                    "status__in",
                                    [
                                        courses.vocabulary.CourseStatus["DRAFT"],
                                        courses.vocabulary.CourseStatus["ACTIVE"],
                                        courses.vocabulary.CourseStatus["ON_HOLD"],
                                    ],
                                ),
                            ),
                            models.Q(
                                (
                                    "status__in",
                                    [
                                        courses.vocabulary.CourseStatus["REVOKED"],
                                        courses.vocabulary.CourseStatus["COMPLETED"],
                                        courses.vocabulary.CourseStatus["ENTERED_IN_ERROR"],
                                    ],
                                ),
                                models.Q(("end_reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="course_end_has_reason",
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
