"""Meters, checks of energy, and what locks a laser out."""

import django.contrib.postgres.constraints
import django.contrib.postgres.fields
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
import django.db.models.functions.comparison
from django.db import migrations, models

import core.vocabulary
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0002_handpieces"),
    ]

    operations = [
        migrations.CreateModel(
            name="Meter",
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
                        related_name="meters",
                        to="clinics.chain",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("serial", models.CharField(max_length=80)),
                ("certificate_number", models.CharField(max_length=80)),
                ("certified_on", models.DateField()),
                (
                    "certificate_valid_until",
                    models.DateField(help_text="Last day on which it counts"),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("active", "active"),
                            ("inactive", "inactive"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=core.vocabulary.DeviceStatus["ACTIVE"],
                        max_length=20,
                    ),
                ),
            ],
            options={
                "ordering": ["name", "serial"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "serial"), name="meter_serial_once_per_chain"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["active", "inactive", "entered-in-error"])
                        ),
                        name="meter_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("certificate_valid_until__gte", models.F("certified_on"))
                        ),
                        name="meter_certificate_ordered",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="EnergyCheck",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="energy_checks",
                        to="devices.laser",
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="energy_checks",
                        to="devices.emissionline",
                    ),
                ),
                (
                    "handpiece",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="energy_checks",
                        to="devices.handpiece",
                    ),
                ),
                (
                    "meter",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="energy_checks",
                        to="devices.meter",
                    ),
                ),
                (
                    "certificate_number",
                    models.CharField(help_text="The meter's at that time", max_length=80),
                ),
                ("certified_on", models.DateField()),
                ("certificate_valid_until", models.DateField()),
                ("checked_at", models.DateTimeField()),
                (
                    "checked_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("set_energy_j", models.FloatField()),
                (
                    "readings_j",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(), size=None
                    ),
                ),
                ("spot_mm", models.FloatField(help_text="Spot that was set")),
                ("spot_measured_mm", models.FloatField(null=True)),
                ("mean_j", models.FloatField()),
                ("spread_j", models.FloatField(help_text="Standard deviation of the readings")),
                ("deviation", models.FloatField()),
                ("tolerance", models.FloatField()),
                ("passed", models.BooleanField()),
                ("note", models.CharField(blank=True, max_length=400)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "ordering": ["-checked_at", "-id"],
                "indexes": [
                    models.Index(
                        fields=["laser", "line", "handpiece", "checked_at"],
                        name="energycheck_of_line",
                    ),
                    models.Index(fields=["laser", "checked_at"], name="energycheck_of_laser"),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("readings_j__len__gte", 3)),
                        name="energycheck_three_readings",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("set_energy_j__gt", 0)),
                        name="energycheck_setting_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("spot_mm__gt", 0)), name="energycheck_spot_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("spot_measured_mm__gt", 0)),
                        name="energycheck_spot_measured_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("tolerance__gt", 0), ("tolerance__lte", 0.2)),
                        name="energycheck_tolerance_legal",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="EnergyCheckVoid",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "check_row",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="void",
                        to="devices.energycheck",
                    ),
                ),
                ("reason", models.CharField(max_length=400)),
                (
                    "voided_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("voided_at", models.DateTimeField()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True),
                        name="energycheckvoid_has_reason",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="LockOut",
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
                    "laser",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lock_outs",
                        to="devices.laser",
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lock_outs",
                        to="devices.emissionline",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                (
                    "reason",
                    models.CharField(
                        choices=[
                            ("service_due", "service due"),
                            ("service_visit", "service visit"),
                            ("energy_check_failed", "energy check failed"),
                            ("fault", "fault"),
                            ("safety", "safety"),
                            ("other", "other"),
                        ],
                        max_length=32,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=400)),
                (
                    "placed_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "released_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("release_note", models.CharField(blank=True, max_length=400)),
                (
                    "verification",
                    models.ForeignKey(
                        help_text="The passing energy check on which it was released",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="devices.energycheck",
                    ),
                ),
            ],
            options={
                "ordering": ["-period"],
                "indexes": [
                    models.Index(
                        condition=models.Q(("line__isnull", False)),
                        fields=["laser", "line"],
                        name="lockout_of_line",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "reason__in",
                                [
                                    "service_due",
                                    "service_visit",
                                    "energy_check_failed",
                                    "fault",
                                    "safety",
                                    "other",
                                ],
                            )
                        ),
                        name="lockout_reason_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False), ("period__lower_inf", False)
                        ),
                        name="lockout_period_starts",
                    ),
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[
                            ("laser", "="),
                            (django.db.models.functions.comparison.Coalesce("line", 0), "="),
                            ("period", "&&"),
                        ],
                        name="lockout_one_at_a_time",
                    ),
                ],
            },
        ),
        append_only_sql("devices_energycheck"),
        append_only_sql("devices_energycheckvoid"),
    ]
