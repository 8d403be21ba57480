"""Healing windows, every version of each, and what clinicians decided."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0007_observations"),
    ]

    operations = [
        migrations.CreateModel(
            name="HealingWindow",
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
                    "session",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="healing_window",
                        to="courses.session",
                    ),
                ),
                (
                    "course",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="healing_windows",
                        to="courses.course",
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("open", "open"),
                            ("held", "held"),
                            ("closed", "closed"),
                            ("never", "never"),
                        ],
                        max_length=8,
                    ),
                ),
                ("opened_on", models.DateField()),
                ("earliest_on", models.DateField(blank=True, null=True)),
                ("advised_on", models.DateField(blank=True, null=True)),
                ("closes_at", models.DateTimeField(blank=True, null=True)),
                (
                    "shortened",
                    models.BooleanField(
                        default=False,
                        help_text="A clinician shortened this window once; never unset",
                    ),
                ),
                (
                    "number",
                    models.PositiveIntegerField(
                        default=1, help_text="Number of the newest version"
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(
                        condition=models.Q(("state", courses.vocabulary.WindowState["OPEN"])),
                        fields=["closes_at", "id"],
                        name="healingwindow_to_close",
                    ),
                    models.Index(fields=["course", "-id"], name="healingwindow_course"),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("state__in", ["open", "held", "closed", "never"])),
                        name="healingwindow_state_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("earliest_on__gte", models.F("opened_on"))),
                        name="healingwindow_closes_after_opening",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "state__in",
                                [
                                    courses.vocabulary.WindowState["HELD"],
                                    courses.vocabulary.WindowState["NEVER"],
                                ],
                            ),
                            models.Q(
                                ("advised_on__isnull", False),
                                ("closes_at__isnull", False),
                                ("earliest_on__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="healingwindow_open_has_dates",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="HealingWindowVersion",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "window",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="versions",
                        to="courses.healingwindow",
                    ),
                ),
                ("number", models.PositiveIntegerField()),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("open", "open"),
                            ("held", "held"),
                            ("closed", "closed"),
                            ("never", "never"),
                        ],
                        max_length=8,
                    ),
                ),
                ("earliest_on", models.DateField(null=True)),
                ("advised_on", models.DateField(null=True)),
                ("facts", models.JSONField()),
                ("outcomes", models.JSONField()),
                (
                    "cause",
                    models.CharField(help_text="What made it: `<table>:<id>`", max_length=64),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "ordering": ["window", "number"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("window", "number"), name="healingwindowversion_number_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("state__in", ["open", "held", "closed", "never"])),
                        name="healingwindowversion_state_known",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="HealingDecision",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "window",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="decisions",
                        to="courses.healingwindow",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[("release", "release"), ("shorten", "shorten")], max_length=8
                    ),
                ),
                (
                    "rule_ids",
                    models.JSONField(default=list, help_text="The holds released; empty for all"),
                ),
                (
                    "earliest_on",
                    models.DateField(help_text="The date a shortening allows", null=True),
                ),
                (
                    "window_number",
                    models.PositiveIntegerField(
                        default=1,
                        help_text="The version that the clinician saw: what came later was not decided about",
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
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["release", "shorten"])),
                        name="healingdecision_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True),
                        name="healingdecision_has_reason",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("earliest_on__isnull", True),
                                ("kind", courses.vocabulary.DecisionKind["RELEASE"]),
                            ),
                            models.Q(
                                ("earliest_on__isnull", False),
                                ("kind", courses.vocabulary.DecisionKind["SHORTEN"]),
                            ),
                            _connector="OR",
                        ),
                        name="healingdecision_shortening_has_date",
                    ),
                ],
            },
        ),
        append_only_sql("courses_healingwindowversion"),
        append_only_sql("courses_healingdecision"),
    ]
