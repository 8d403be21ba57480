"""Cadences as policy of a chain, and plans with a time to look again."""

import django.db.models.deletion
from django.db import migrations, models

import courses.timing.words
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0011_calendar_feeds"),
    ]

    operations = [
        migrations.CreateModel(
            name="RecallPolicy",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "chain",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="recall_policies",
                        to="clinics.chain",
                    ),
                ),
                ("number", models.PositiveIntegerField()),
                ("document", models.JSONField(help_text="As `courses.timing.documents` reads it")),
                (
                    "note",
                    models.CharField(blank=True, help_text="Why it was changed", max_length=200),
                ),
                (
                    "set_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("set_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["chain", "-number"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "number"), name="recallpolicy_number_once_per_chain"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("number__gt", 0)), name="recallpolicy_number_positive"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="RecallPlan",
            fields=[
                (
                    "course",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="recall_plan",
                        serialize=False,
                        to="courses.course",
                    ),
                ),
                (
                    "chain",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.chain",
                    ),
                ),
                ("policy", models.PositiveIntegerField(default=0)),
                ("look_at", models.DateTimeField(null=True)),
                (
                    "clinic",
                    models.ForeignKey(
                        db_index=False,
                        help_text="That leads the course",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.clinic",
                    ),
                ),
                ("ready_on", models.DateField(null=True)),
                ("booked_until", models.DateTimeField(null=True)),
                (
                    "standing",
                    models.CharField(
                        choices=[
                            ("due", "due"),
                            ("invited", "invited"),
                            ("answered", "answered"),
                            ("to_call", "to call"),
                            ("unreachable", "unreachable"),
                            ("withdrawn", "withdrawn"),
                        ],
                        db_default=courses.timing.words.Standing["DUE"],
                        default=courses.timing.words.Standing["DUE"],
                        max_length=12,
                    ),
                ),
                ("last_sent_at", models.DateTimeField(null=True)),
                ("paused_until", models.DateField(null=True)),
                ("failures", models.PositiveSmallIntegerField(db_default=0, default=0)),
            ],
            options={
                "indexes": [
                    models.Index(
                        condition=models.Q(("failures__gt", 0)),
                        fields=["course"],
                        name="recallplan_failing",
                    ),
                    models.Index(
                        condition=models.Q(("look_at__isnull", False)),
                        fields=["look_at", "course"],
                        name="recallplan_due",
                    ),
                    models.Index(
                        condition=models.Q(("look_at__isnull", False)),
                        fields=["chain", "policy", "course"],
                        name="recallplan_policy",
                    ),
                    models.Index(
                        condition=models.Q(("ready_on__isnull", False)),
                        fields=["chain", "ready_on", "course"],
                        include=("booked_until",),
                        name="recallplan_ready",
                    ),
                    models.Index(
                        condition=models.Q(("ready_on__isnull", False)),
                        fields=["clinic", "ready_on", "course"],
                        include=("booked_until",),
                        name="recallplan_ready_at_clinic",
                    ),
                    models.Index(
                        condition=models.Q(("ready_on__isnull", False)),
                        fields=["chain", "standing", "ready_on", "course"],
                        include=("booked_until", "last_sent_at"),
                        name="recallplan_stands",
                    ),
                    models.Index(
                        condition=models.Q(("ready_on__isnull", False)),
                        fields=["clinic", "standing", "ready_on", "course"],
                        include=("booked_until", "last_sent_at"),
                        name="recallplan_stands_at_clinic",
                    ),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "standing__in",
                                [
                                    "due",
                                    "invited",
                                    "answered",
                                    "to_call",
                                    "unreachable",
                                    "withdrawn",
                                ],
                            )
                        ),
                        name="recallplan_standing_known",
                    )
                ],
            },
        ),
        append_only_sql("courses_recallpolicy"),
    ]
