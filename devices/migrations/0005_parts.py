"""Parts that wear, and when each was in which laser or handpiece."""

import django.contrib.postgres.constraints
import django.contrib.postgres.fields
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

import core.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0004_ledger"),
    ]

    operations = [
        migrations.CreateModel(
            name="Part",
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
                        related_name="parts",
                        to="clinics.chain",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("flashlamp", "flashlamp"),
                            ("crystal", "crystal"),
                            ("filter", "filter"),
                            ("window", "window"),
                            ("lens", "lens"),
                            ("q_switch", "q switch"),
                            ("coolant", "coolant"),
                            ("counter", "counter"),
                            ("other", "other"),
                        ],
                        max_length=16,
                    ),
                ),
                ("serial", models.CharField(max_length=80)),
                ("rated_life_pulses", models.PositiveBigIntegerField(blank=True, null=True)),
                ("rated_life_months", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "rated_life_source",
                    models.CharField(
                        blank=True,
                        help_text="Where the rated life stands, e.g. the manual",
                        max_length=200,
                    ),
                ),
                (
                    "pulses_before",
                    models.PositiveBigIntegerField(
                        default=0, help_text="Pulses it had done before this record began"
                    ),
                ),
                (
                    "wavelengths_nm",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.PositiveIntegerField(),
                        blank=True,
                        default=list,
                        help_text="Lines whose pulses wear it; empty: all",
                        size=None,
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
            ],
            options={
                "ordering": ["kind", "serial"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "kind", "serial"), name="part_serial_once_per_kind"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "kind__in",
                                [
                                    "flashlamp",
                                    "crystal",
                                    "filter",
                                    "window",
                                    "lens",
                                    "q_switch",
                                    "coolant",
                                    "counter",
                                    "other",
                                ],
                            )
                        ),
                        name="part_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["active", "inactive", "entered-in-error"])
                        ),
                        name="part_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("rated_life_pulses__gt", 0)),
                        name="part_rated_pulses_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("rated_life_months__gt", 0)),
                        name="part_rated_months_positive",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Installation",
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
                    "part",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="installations",
                        to="devices.part",
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="installations",
                        to="devices.laser",
                    ),
                ),
                (
                    "handpiece",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="installations",
                        to="devices.handpiece",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                ("note", models.CharField(blank=True, max_length=400)),
                (
                    "installed_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "removed_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("removal_note", models.CharField(blank=True, max_length=400)),
            ],
            options={
                "ordering": ["-period"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False), ("period__lower_inf", False)
                        ),
                        name="installation_period_starts",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("handpiece__isnull", True), ("laser__isnull", False)),
                            models.Q(("handpiece__isnull", False), ("laser__isnull", True)),
                            _connector="OR",
                        ),
                        name="installation_in_one_device",
                    ),
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[("part", "="), ("period", "&&")],
                        name="installation_one_place_at_a_time",
                    ),
                ],
            },
        ),
    ]
