"""Handpieces, and to which laser each was fitted when."""

import django.contrib.postgres.constraints
import django.contrib.postgres.fields
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

import core.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0001_lasers"),
    ]

    operations = [
        migrations.CreateModel(
            name="Handpiece",
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
                        related_name="handpieces",
                        to="clinics.chain",
                    ),
                ),
                (
                    "resource",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="handpiece",
                        to="clinics.resource",
                    ),
                ),
                ("serial", models.CharField(max_length=80)),
                (
                    "spot_sizes_mm",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(), size=None
                    ),
                ),
                (
                    "counter_at_start",
                    models.PositiveBigIntegerField(
                        default=0, help_text="Pulses on its counter when this record began"
                    ),
                ),
                ("rated_life_pulses", models.PositiveBigIntegerField(blank=True, null=True)),
                (
                    "rated_life_months",
                    models.PositiveSmallIntegerField(
                        blank=True, help_text="Counted from when it was first fitted", null=True
                    ),
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
                (
                    "lines",
                    models.ManyToManyField(related_name="handpieces", to="devices.emissionline"),
                ),
            ],
            options={
                "ordering": ["serial"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "serial"), name="handpiece_serial_once_per_chain"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["active", "inactive", "entered-in-error"])
                        ),
                        name="handpiece_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("spot_sizes_mm__len__gt", 0)), name="handpiece_has_spot"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("rated_life_pulses__gt", 0)),
                        name="handpiece_rated_life_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("rated_life_months__gt", 0)),
                        name="handpiece_rated_months_positive",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Fitting",
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
                        related_name="fittings",
                        to="devices.laser",
                    ),
                ),
                (
                    "handpiece",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fittings",
                        to="devices.handpiece",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
            ],
            options={
                "ordering": ["-period"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False), ("period__lower_inf", False)
                        ),
                        name="fitting_period_starts",
                    ),
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[("handpiece", "="), ("period", "&&")],
                        name="fitting_one_laser_at_a_time",
                    ),
                ],
            },
        ),
    ]
