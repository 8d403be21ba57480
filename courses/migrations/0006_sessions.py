"""Sessions and their passes."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_session": [
        "completed>entered-in-error",
        "in-progress>completed",
        "in-progress>entered-in-error",
        "in-progress>stopped",
        "not-done>entered-in-error",
        "preparation>completed",
        "preparation>entered-in-error",
        "preparation>in-progress",
        "preparation>not-done",
        "preparation>stopped",
        "stopped>entered-in-error",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0005_appointments"),
        ("devices", "0001_lasers"),
        ("devices", "0002_handpieces"),
        ("devices", "0004_ledger"),
    ]

    operations = [
        migrations.CreateModel(
            name="Session",
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
                        related_name="sessions",
                        to="courses.course",
                    ),
                ),
                (
                    "appointment",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="session",
                        to="courses.appointment",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="sessions",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="sessions",
                        to="clinics.room",
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="sessions",
                        to="devices.laser",
                    ),
                ),
                (
                    "operator",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="sessions",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("preparation", "preparation"),
                            ("in-progress", "in progress"),
                            ("not-done", "not done"),
                            ("stopped", "stopped"),
                            ("completed", "completed"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=courses.vocabulary.SessionStatus["PREPARATION"],
                        max_length=20,
                    ),
                ),
                ("started_at", models.DateTimeField()),
                ("ended_at", models.DateTimeField(blank=True, null=True)),
                ("treated_on", models.DateField(help_text="Local date at the clinic")),
                ("clearing_agent", models.BooleanField(default=False)),
                ("checks", models.JSONField(default=list)),
                (
                    "override_reason",
                    models.CharField(
                        blank=True,
                        help_text="A clinician's reason to treat in spite of a check",
                        max_length=400,
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        help_text="Who recorded it, and who overrode a check where one was",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "status_reason",
                    models.CharField(
                        blank=True,
                        help_text="Why it was stopped or entered in error",
                        max_length=400,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=1000)),
            ],
            options={
                "ordering": ["course", "started_at"],
                "indexes": [
                    models.Index(fields=["clinic", "started_at", "id"], name="session_clinic_time"),
                    models.Index(fields=["laser", "started_at"], name="session_laser_time"),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    "preparation",
                                    "in-progress",
                                    "not-done",
                                    "stopped",
                                    "completed",
                                    "entered-in-error",
                                ],
                            )
                        ),
                        name="session_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("ended_at__gte", models.F("started_at"))),
                        name="session_ends_after_start",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="TreatmentPass",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "session",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="passes",
                        to="courses.session",
                    ),
                ),
                ("sequence", models.PositiveSmallIntegerField()),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="passes",
                        to="devices.emissionline",
                    ),
                ),
                (
                    "handpiece",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="passes",
                        to="devices.handpiece",
                    ),
                ),
                ("started_at", models.DateTimeField()),
                ("spot_mm", models.FloatField()),
                ("fluence_j_cm2", models.FloatField()),
                ("pulse_duration_ns", models.FloatField()),
                ("rate_hz", models.FloatField()),
                ("pulses", models.PositiveIntegerField()),
                (
                    "responses",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(
                            choices=[
                                ("whitening", "whitening"),
                                ("faint_haze", "faint haze"),
                                ("no_change", "no change"),
                                ("erythema", "erythema"),
                                ("oedema", "oedema"),
                                ("pinpoint_bleeding", "pinpoint bleeding"),
                                ("purpura", "purpura"),
                                ("blister", "blister"),
                                ("torn_epidermis", "torn epidermis"),
                                ("darkening", "darkening"),
                                ("wheal", "wheal"),
                            ],
                            max_length=24,
                        ),
                        blank=True,
                        default=list,
                        size=None,
                    ),
                ),
                (
                    "pulse_entry",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="treatment_pass",
                        to="devices.pulseentry",
                    ),
                ),
                ("parts", models.ManyToManyField(related_name="passes", to="courses.tattoopart")),
            ],
            options={
                "ordering": ["session", "sequence"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("session", "sequence"), name="treatmentpass_sequence_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("sequence__gt", 0)),
                        name="treatmentpass_sequence_from_one",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("spot_mm__gt", 0)), name="treatmentpass_spot_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("fluence_j_cm2__gt", 0)),
                        name="treatmentpass_fluence_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("rate_hz__gt", 0)), name="treatmentpass_rate_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("pulses__gt", 0)), name="treatmentpass_pulses_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("pulse_duration_ns__gt", 0), ("pulse_duration_ns__lt", 1000000)
                        ),
                        name="treatmentpass_no_millisecond_pulse",
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
