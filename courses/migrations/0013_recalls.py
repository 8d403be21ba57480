"""Steps of a cadence, each with the time when it is due."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_recall": [
        "active>completed",
        "active>entered-in-error",
        "active>on-hold",
        "active>revoked",
        "completed>active",
        "completed>entered-in-error",
        "draft>active",
        "draft>entered-in-error",
        "draft>revoked",
        "on-hold>active",
        "on-hold>completed",
        "on-hold>entered-in-error",
        "on-hold>revoked",
        "revoked>active",
        "revoked>entered-in-error",
        "revoked>on-hold",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0012_recall_plans"),
    ]

    operations = [
        migrations.CreateModel(
            name="Recall",
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
                    "course",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="recalls",
                        to="courses.course",
                    ),
                ),
                (
                    "window",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="recalls",
                        to="courses.healingwindow",
                    ),
                ),
                (
                    "appointment",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="recalls",
                        to="courses.appointment",
                    ),
                ),
                (
                    "session",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="recalls",
                        to="courses.session",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("invitation", "invitation"),
                            ("reminder", "reminder"),
                            ("change", "change"),
                            ("aftercare", "aftercare"),
                        ],
                        max_length=12,
                    ),
                ),
                (
                    "step",
                    models.CharField(
                        help_text="Step of the cadence, or topic of a notice", max_length=40
                    ),
                ),
                (
                    "cadence",
                    models.PositiveIntegerField(
                        default=0,
                        help_text="Number of the recall policy that planned it; 0 is the default",
                    ),
                ),
                ("template", models.CharField(help_text="Which text is sent", max_length=40)),
                (
                    "occasion",
                    models.CharField(
                        help_text="What it speaks of: a key in its course", max_length=80
                    ),
                ),
                ("due_at", models.DateTimeField()),
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
                        default=courses.vocabulary.RequestStatus["ACTIVE"],
                        max_length=20,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=200)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
            ],
            options={
                "ordering": ["due_at", "id"],
                "indexes": [
                    models.Index(fields=["status", "due_at", "id"], name="recall_status_due"),
                    models.Index(fields=["due_at", "id"], name="recall_due"),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("course", "occasion", "kind", "step"),
                        name="recall_once_per_course_and_step",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("occasion", ""), _negated=True),
                        name="recall_has_occasion",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("kind", courses.vocabulary.RecallKind["INVITATION"]),
                                ("window__isnull", False),
                            ),
                            models.Q(
                                ("appointment__isnull", False),
                                (
                                    "kind__in",
                                    [
                                        courses.vocabulary.RecallKind["REMINDER"],
                                        courses.vocabulary.RecallKind["CHANGE"],
                                    ],
                                ),
                            ),
                            models.Q(
                                ("kind", courses.vocabulary.RecallKind["AFTERCARE"]),
                                ("session__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="recall_speaks_of_something",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind__in", ["invitation", "reminder", "change", "aftercare"])
                        ),
                        name="recall_kind_known",
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
                        name="recall_status_known",
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
