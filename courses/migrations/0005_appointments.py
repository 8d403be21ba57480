"""Visits, alone and in series."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_appointment": [
        "arrived>booked",
        "arrived>cancelled",
        "arrived>checked-in",
        "arrived>entered-in-error",
        "arrived>fulfilled",
        "booked>arrived",
        "booked>cancelled",
        "booked>entered-in-error",
        "booked>fulfilled",
        "booked>noshow",
        "cancelled>entered-in-error",
        "checked-in>cancelled",
        "checked-in>entered-in-error",
        "checked-in>fulfilled",
        "fulfilled>entered-in-error",
        "noshow>entered-in-error",
        "proposed>booked",
        "proposed>cancelled",
        "proposed>entered-in-error",
        "waitlist>booked",
        "waitlist>cancelled",
        "waitlist>entered-in-error",
        "waitlist>proposed",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0004_courses"),
        ("devices", "0001_lasers"),
        ("devices", "0002_handpieces"),
    ]

    operations = [
        migrations.CreateModel(
            name="AppointmentSeries",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "course",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="series",
                        to="courses.course",
                    ),
                ),
                (
                    "booked_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="Appointment",
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
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="appointments",
                        to="courses.course",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="appointments",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="appointments",
                        to="clinics.room",
                    ),
                ),
                (
                    "operator",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="appointments",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="appointments",
                        to="devices.laser",
                    ),
                ),
                ("starts_at", models.DateTimeField()),
                ("ends_at", models.DateTimeField()),
                ("timeline", models.JSONField(default=list)),
                ("wavelengths_nm", models.JSONField(default=list)),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("proposed", "proposed"),
                            ("pending", "pending"),
                            ("booked", "booked"),
                            ("arrived", "arrived"),
                            ("fulfilled", "fulfilled"),
                            ("cancelled", "cancelled"),
                            ("noshow", "noshow"),
                            ("entered-in-error", "entered in error"),
                            ("checked-in", "checked in"),
                            ("waitlist", "waitlist"),
                        ],
                        max_length=20,
                    ),
                ),
                ("hold_expires_at", models.DateTimeField(blank=True, null=True)),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                (
                    "override_reason",
                    models.CharField(
                        blank=True,
                        help_text="A clinician's reason to book before the window",
                        max_length=400,
                    ),
                ),
                (
                    "booked_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "series",
                    models.ForeignKey(
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="appointments",
                        to="courses.appointmentseries",
                    ),
                ),
                (
                    "position",
                    models.PositiveSmallIntegerField(help_text="In its series, from 1", null=True),
                ),
                ("next_earliest_at", models.DateTimeField(null=True)),
                ("next_advised_on", models.DateField(null=True)),
                (
                    "handpieces",
                    models.ManyToManyField(related_name="appointments", to="devices.handpiece"),
                ),
            ],
            options={
                "ordering": ["starts_at", "id"],
                "indexes": [
                    models.Index(
                        fields=["clinic", "starts_at", "id"], name="appointment_clinic_time"
                    ),
                    models.Index(fields=["course", "starts_at"], name="appointment_course_time"),
                    models.Index(fields=["laser", "starts_at"], name="appointment_laser_time"),
                    models.Index(
                        condition=models.Q(
                            ("status", courses.vocabulary.AppointmentStatus["BOOKED"])
                        ),
                        fields=["starts_at", "id"],
                        name="appointment_to_remind",
                    ),
                    models.Index(
                        condition=models.Q(
                            ("status", courses.vocabulary.AppointmentStatus["PROPOSED"])
                        ),
                        fields=["booked_by", "hold_expires_at"],
                        name="appointment_held",
                    ),
                    models.Index(fields=["room", "starts_at"], name="appointment_room_time"),
                    models.Index(
                        fields=["operator", "starts_at"], name="appointment_operator_time"
                    ),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    "proposed",
                                    "pending",
                                    "booked",
                                    "arrived",
                                    "fulfilled",
                                    "cancelled",
                                    "noshow",
                                    "entered-in-error",
                                    "checked-in",
                                    "waitlist",
                                ],
                            )
                        ),
                        name="appointment_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("ends_at__gt", models.F("starts_at"))),
                        name="appointment_ends_after_start",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("status", courses.vocabulary.AppointmentStatus["PROPOSED"]),
                                _negated=True,
                            ),
                            ("hold_expires_at__isnull", False),
                            _connector="OR",
                        ),
                        name="appointment_hold_expires",
                    ),
                    models.UniqueConstraint(
                        fields=("series", "position"), name="appointment_position_once_in_series"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("position__isnull", True), ("series__isnull", True)),
                            models.Q(("position__gt", 0), ("series__isnull", False)),
                            _connector="OR",
                        ),
                        name="appointment_position_in_series",
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
