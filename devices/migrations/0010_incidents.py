"""Incidents, their notes, and the clocks that they start."""

import django.db.models.deletion
from django.db import migrations, models

import devices.vocabulary
from core.models import append_only_sql
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "devices_incident": [
        "completed>entered-in-error",
        "in-progress>completed",
        "in-progress>entered-in-error",
    ],
    "devices_incidentclock": [
        "requested>cancelled",
        "requested>completed",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0009_duties"),
    ]

    operations = [
        migrations.CreateModel(
            name="Incident",
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
                    "clinic",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="incidents",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="incidents",
                        to="devices.laser",
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="incidents",
                        to="clinics.room",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("loss", "loss"),
                            ("eye_exposure", "eye exposure"),
                            ("burn", "burn"),
                            ("fire", "fire"),
                            ("device_fault", "device fault"),
                            ("access", "access"),
                            ("other", "other"),
                        ],
                        max_length=20,
                    ),
                ),
                (
                    "actuality",
                    models.CharField(
                        choices=[("actual", "actual"), ("potential", "potential")], max_length=10
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("in-progress", "in progress"),
                            ("completed", "completed"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=devices.vocabulary.IncidentStatus["IN_PROGRESS"],
                        max_length=20,
                    ),
                ),
                ("occurred_at", models.DateTimeField()),
                ("known_at", models.DateTimeField(help_text="From when its clocks run")),
                ("summary", models.CharField(help_text="Names no patient", max_length=1000)),
                (
                    "reported_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("closed_at", models.DateTimeField(null=True)),
                (
                    "closed_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("outcome", models.CharField(blank=True, max_length=1000)),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [models.Index(fields=["clinic", "status"], name="incident_of_clinic")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "kind__in",
                                [
                                    "loss",
                                    "eye_exposure",
                                    "burn",
                                    "fire",
                                    "device_fault",
                                    "access",
                                    "other",
                                ],
                            )
                        ),
                        name="incident_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("actuality__in", ["actual", "potential"])),
                        name="incident_actuality_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["in-progress", "completed", "entered-in-error"])
                        ),
                        name="incident_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("known_at__gte", models.F("occurred_at"))),
                        name="incident_known_after",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("closed_at__isnull", True),
                                ("status", devices.vocabulary.IncidentStatus["IN_PROGRESS"]),
                            ),
                            models.Q(
                                models.Q(
                                    ("status", devices.vocabulary.IncidentStatus["IN_PROGRESS"]),
                                    _negated=True,
                                ),
                                ("closed_at__isnull", False),
                                ("closed_by__isnull", False),
                                models.Q(("outcome", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="incident_closed_with_outcome",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="IncidentClock",
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
                    "incident",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="clocks",
                        to="devices.incident",
                    ),
                ),
                ("code", models.CharField(max_length=40)),
                ("text", models.CharField(max_length=200)),
                ("source", models.CharField(max_length=200)),
                ("within", models.DurationField()),
                (
                    "follows",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="followed_by",
                        to="devices.incidentclock",
                    ),
                ),
                ("due_at", models.DateTimeField()),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("requested", "requested"),
                            ("completed", "completed"),
                            ("cancelled", "cancelled"),
                        ],
                        default=devices.vocabulary.ClockStatus["REQUESTED"],
                        max_length=20,
                    ),
                ),
                ("settled_at", models.DateTimeField(help_text="When it was met", null=True)),
                (
                    "settled_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("reference", models.CharField(blank=True, max_length=400)),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("incident", "code"), name="incidentclock_code_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("status__in", ["requested", "completed", "cancelled"])),
                        name="incidentclock_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("settled_at__isnull", True),
                                ("status", devices.vocabulary.ClockStatus["REQUESTED"]),
                            ),
                            models.Q(
                                models.Q(
                                    ("status", devices.vocabulary.ClockStatus["REQUESTED"]),
                                    _negated=True,
                                ),
                                ("settled_at__isnull", False),
                                ("settled_by__isnull", False),
                                models.Q(("reference", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="incidentclock_settled_with_reference",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="IncidentNote",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "incident",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="notes",
                        to="devices.incident",
                    ),
                ),
                (
                    "written_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("written_at", models.DateTimeField()),
                ("text", models.TextField(max_length=4000)),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("text", ""), _negated=True),
                        name="incidentnote_has_text",
                    )
                ],
            },
        ),
        append_only_sql("devices_incidentnote"),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
