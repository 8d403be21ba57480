"""Duties, checks at the start of a day, and safety officers."""

import django.contrib.postgres.constraints
import django.contrib.postgres.fields.ranges
import django.contrib.postgres.indexes
import django.db.models.deletion
from django.db import migrations, models

import devices.vocabulary
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0008_service"),
    ]

    operations = [
        migrations.CreateModel(
            name="DutyPolicy",
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
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="duty_policy",
                        to="clinics.chain",
                    ),
                ),
                ("start_up", models.JSONField(blank=True, null=True)),
                ("periodic", models.JSONField(blank=True, null=True)),
                ("clocks", models.JSONField(blank=True, null=True)),
                (
                    "at_failed",
                    models.CharField(
                        choices=[("off", "off"), ("warn", "warn"), ("refuse", "refuse")],
                        default=devices.vocabulary.StartUpEffect["REFUSE"],
                        help_text="What the latest start-up check of the day does to sessions when it failed",
                        max_length=10,
                    ),
                ),
                (
                    "at_missing",
                    models.CharField(
                        choices=[("off", "off"), ("warn", "warn"), ("refuse", "refuse")],
                        default=devices.vocabulary.StartUpEffect["OFF"],
                        help_text="What it does to sessions that nobody made the start-up check of the day",
                        max_length=10,
                    ),
                ),
                (
                    "warn_days",
                    models.PositiveSmallIntegerField(
                        default=30, help_text="How long before it is due a duty is told of"
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("at_failed__in", ["off", "warn", "refuse"])),
                        name="dutypolicy_at_failed_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("at_missing__in", ["off", "warn", "refuse"])),
                        name="dutypolicy_at_missing_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("warn_days__lte", 365)),
                        name="dutypolicy_warn_days_plausible",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="DutyRecord",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="duty_records",
                        to="clinics.clinic",
                    ),
                ),
                ("duty", models.CharField(help_text="A code of the policy", max_length=40)),
                ("done_on", models.DateField()),
                (
                    "done_by",
                    models.CharField(help_text="Who did it, such as an adviser", max_length=120),
                ),
                ("outcome", models.CharField(max_length=1000)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("recorded_at", models.DateTimeField()),
                (
                    "withdraws",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="withdrawal",
                        to="devices.dutyrecord",
                    ),
                ),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [
                    models.Index(fields=["clinic", "duty", "done_on"], name="dutyrecord_of_clinic")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("outcome", ""), _negated=True),
                        name="dutyrecord_says_outcome",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="StartUpCheck",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="start_up_checks",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="start_up_checks",
                        to="devices.laser",
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="start_up_checks",
                        to="clinics.room",
                    ),
                ),
                ("day", models.DateField()),
                ("checked_at", models.DateTimeField()),
                (
                    "checked_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("items", models.JSONField()),
                ("passed", models.BooleanField()),
                ("note", models.CharField(blank=True, max_length=400)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [
                    models.Index(fields=["laser", "day"], name="startupcheck_laser_day"),
                    models.Index(fields=["room", "day"], name="startupcheck_room_day"),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("laser__isnull", False), ("room__isnull", True)),
                            models.Q(("laser__isnull", True), ("room__isnull", False)),
                            _connector="OR",
                        ),
                        name="startupcheck_of_one_thing",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("items", []), _negated=True),
                        name="startupcheck_has_items",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="OfficerAppointment",
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
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="officer_appointments",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "staff_member",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="officer_appointments",
                        to="clinics.staffmember",
                    ),
                ),
                ("deputy", models.BooleanField(default=False)),
                ("valid_during", django.contrib.postgres.fields.ranges.DateRangeField()),
                (
                    "appointed_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=400)),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [
                    django.contrib.postgres.indexes.GistIndex(
                        fields=["clinic", "valid_during"], name="officerappointment_of_clinic"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("valid_during__isempty", False), ("valid_during__lower_inf", False)
                        ),
                        name="officerappointment_valid_from",
                    ),
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        condition=models.Q(("deputy", False)),
                        expressions=[("clinic", "="), ("valid_during", "&&")],
                        name="officerappointment_one_officer",
                    ),
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[
                            ("clinic", "="),
                            ("staff_member", "="),
                            ("valid_during", "&&"),
                        ],
                        name="officerappointment_once_a_person",
                    ),
                ],
            },
        ),
        append_only_sql("devices_startupcheck"),
        append_only_sql("devices_dutyrecord"),
    ]
