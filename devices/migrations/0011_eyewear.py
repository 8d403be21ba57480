"""Eyewear, what else a laser emits, and what a chain demands."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

import devices.safety.vocabulary
import devices.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0010_incidents"),
    ]

    operations = [
        migrations.CreateModel(
            name="EyewearPolicy",
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
                        related_name="eyewear_policy",
                        to="clinics.chain",
                    ),
                ),
                (
                    "at_booking",
                    models.CharField(
                        choices=[("off", "off"), ("warn", "warn"), ("refuse", "refuse")],
                        default=devices.vocabulary.EyewearCheck["WARN"],
                        help_text="A pair can still be bought before the visit",
                        max_length=10,
                    ),
                ),
                (
                    "at_session",
                    models.CharField(
                        choices=[("off", "off"), ("warn", "warn"), ("refuse", "refuse")],
                        default=devices.vocabulary.EyewearCheck["REFUSE"],
                        max_length=10,
                    ),
                ),
                (
                    "limit_set",
                    models.CharField(
                        choices=[("EU2006", "EU2006"), ("IEC2014", "IEC2014"), ("LOWER", "LOWER")],
                        default=devices.safety.vocabulary.LimitSet["LOWER"],
                        max_length=10,
                    ),
                ),
                (
                    "exposure_s",
                    models.FloatField(default=10.0, help_text="How long an eye may be exposed"),
                ),
                (
                    "margin",
                    models.FloatField(default=1.0, help_text="By which an exposure is multiplied"),
                ),
                (
                    "needs_levels",
                    models.BooleanField(
                        default=True,
                        help_text="Whether EN 207 marks must suffice too, or the OD alone",
                    ),
                ),
                (
                    "inspection_months",
                    models.PositiveSmallIntegerField(
                        default=12,
                        help_text="Eyewear that was not inspected within these months does not count",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("at_booking__in", ["off", "warn", "refuse"])),
                        name="eyewearpolicy_at_booking_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("at_session__in", ["off", "warn", "refuse"])),
                        name="eyewearpolicy_at_session_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("limit_set__in", ["EU2006", "IEC2014", "LOWER"])),
                        name="eyewearpolicy_limit_set_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("exposure_s__gte", 0.25), ("exposure_s__lte", 10)),
                        name="eyewearpolicy_exposure_in_tables",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("margin__gte", 1), ("margin__lte", 10)),
                        name="eyewearpolicy_margin_plausible",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("inspection_months__gte", 1), ("inspection_months__lte", 60)
                        ),
                        name="eyewearpolicy_inspection_plausible",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Eyewear",
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
                        related_name="eyewear",
                        to="clinics.chain",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="eyewear",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="eyewear",
                        to="clinics.room",
                    ),
                ),
                ("label", models.CharField(help_text="What the clinic calls it", max_length=80)),
                (
                    "kind",
                    models.CharField(
                        choices=[("pair", "pair"), ("patient_shield", "patient shield")],
                        default=devices.vocabulary.EyewearKind["PAIR"],
                        max_length=20,
                    ),
                ),
                ("densities", models.JSONField(blank=True, default=list)),
                (
                    "marks",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=120),
                        blank=True,
                        default=list,
                        size=None,
                    ),
                ),
                ("maker_mark", models.CharField(blank=True, max_length=80)),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("in_use", "in use"),
                            ("damaged", "damaged"),
                            ("withdrawn", "withdrawn"),
                        ],
                        default=devices.vocabulary.EyewearState["IN_USE"],
                        max_length=20,
                    ),
                ),
                ("inspected_on", models.DateField(blank=True, null=True)),
                (
                    "inspected_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=400)),
            ],
            options={
                "ordering": ["clinic", "label"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "label"), name="eyewear_label_once_per_chain"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["pair", "patient_shield"])),
                        name="eyewear_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("state__in", ["in_use", "damaged", "withdrawn"])),
                        name="eyewear_state_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind", devices.vocabulary.EyewearKind["PATIENT_SHIELD"]),
                            models.Q(("densities", []), _negated=True),
                            ("marks__len__gt", 0),
                            _connector="OR",
                        ),
                        name="eyewear_pair_says_what_it_stops",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="AccompanyingEmission",
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
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="accompanying",
                        to="devices.emissionline",
                    ),
                ),
                ("wavelength_nm", models.PositiveIntegerField()),
                ("max_energy_j", models.FloatField(help_text="Largest energy of one pulse of it")),
            ],
            options={
                "ordering": ["line", "wavelength_nm"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("line", "wavelength_nm"), name="accompanyingemission_once_per_line"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("wavelength_nm__gte", 180), ("wavelength_nm__lte", 20000)
                        ),
                        name="accompanyingemission_wavelength_optical",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("max_energy_j__gt", 0)),
                        name="accompanyingemission_energy_positive",
                    ),
                ],
            },
        ),
    ]
