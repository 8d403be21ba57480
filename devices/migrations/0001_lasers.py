"""Models of lasers with their emission lines, and the lasers of the clinics."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

import core.vocabulary


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("clinics", "0001_organisation"),
        ("clinics", "0002_people"),
    ]

    operations = [
        migrations.CreateModel(
            name="LaserModel",
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
                        related_name="laser_models",
                        to="clinics.chain",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
            ],
            options={
                "ordering": ["name"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "name"), name="lasermodel_name_once_per_chain"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="EmissionLine",
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
                    "laser_model",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="lines",
                        to="devices.lasermodel",
                    ),
                ),
                ("wavelength_nm", models.PositiveIntegerField()),
                ("pulse_min_ns", models.FloatField(help_text="Shortest pulse duration")),
                ("pulse_max_ns", models.FloatField(help_text="Longest pulse duration")),
                (
                    "spot_sizes_mm",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(),
                        help_text="Spot diameters it can be set to",
                        size=None,
                    ),
                ),
                ("max_energy_j", models.FloatField(help_text="Largest energy of one pulse")),
                ("max_rate_hz", models.FloatField()),
            ],
            options={
                "ordering": ["laser_model", "wavelength_nm"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("laser_model", "wavelength_nm", "pulse_min_ns"),
                        name="emissionline_once_per_model",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("wavelength_nm__gte", 180), ("wavelength_nm__lte", 20000)
                        ),
                        name="emissionline_wavelength_optical",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("pulse_min_ns__gt", 0)),
                        name="emissionline_pulse_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("pulse_max_ns__gte", models.F("pulse_min_ns"))),
                        name="emissionline_pulse_ordered",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("spot_sizes_mm__len__gt", 0)),
                        name="emissionline_has_spot",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("max_energy_j__gt", 0)),
                        name="emissionline_energy_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("max_rate_hz__gt", 0)),
                        name="emissionline_rate_positive",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Laser",
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
                        related_name="lasers",
                        to="clinics.chain",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lasers",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lasers",
                        to="clinics.room",
                    ),
                ),
                (
                    "resource",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="laser",
                        to="clinics.resource",
                    ),
                ),
                (
                    "laser_model",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lasers",
                        to="devices.lasermodel",
                    ),
                ),
                ("serial", models.CharField(max_length=80)),
                (
                    "label",
                    models.CharField(
                        blank=True, help_text="What the clinic calls it", max_length=80
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
                "ordering": ["clinic", "serial"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("laser_model", "serial"), name="laser_serial_once_per_model"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["active", "inactive", "entered-in-error"])
                        ),
                        name="laser_status_known",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="LaserAuthorisation",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "credential",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="laser_authorisations",
                        to="clinics.credential",
                    ),
                ),
                (
                    "laser_model",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="authorisations",
                        to="devices.lasermodel",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("credential", "laser_model"), name="laserauthorisation_once"
                    )
                ],
            },
        ),
    ]
