"""Chains, clinics, rooms and staff, and what of them can be busy."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("core", "0001_initial"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Chain",
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
                ("name", models.CharField(max_length=120, unique=True)),
                (
                    "healing_policy",
                    models.JSONField(
                        blank=True,
                        default=dict,
                        help_text="Lengthened parameters of healing rules, by rule id; a rule is never shortened",
                    ),
                ),
                (
                    "search_policy",
                    models.JSONField(
                        blank=True, default=dict, help_text="Weights of the parts of a slot's score"
                    ),
                ),
                (
                    "device_policy",
                    models.JSONField(
                        blank=True,
                        default=dict,
                        help_text="Service and energy checks of lasers: values by name",
                    ),
                ),
                (
                    "retention_policy",
                    models.JSONField(
                        blank=True,
                        db_default={},
                        default=dict,
                        help_text="How long records and traces are kept: values by name",
                    ),
                ),
                (
                    "session_multiplier",
                    models.DecimalField(
                        decimal_places=2,
                        default=1,
                        help_text="Sessions per point of the six-parameter scale (published use: 1.0)",
                        max_digits=4,
                    ),
                ),
                (
                    "holds_per_caller",
                    models.PositiveSmallIntegerField(
                        default=5, help_text="How many slots one caller may keep held at a time"
                    ),
                ),
                (
                    "second_factor_roles",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(
                            choices=[
                                ("chain_manager", "chain manager"),
                                ("front_desk", "front desk"),
                                ("laser_operator", "laser operator"),
                                ("treating_clinician", "treating clinician"),
                                ("laser_safety_officer", "laser safety officer"),
                                ("integrator", "integrator"),
                            ],
                            max_length=32,
                        ),
                        blank=True,
                        db_default=[],
                        default=list,
                        help_text="Roles that count only for who signed in with a second factor",
                        size=None,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("session_multiplier__gte", "0.1"), ("session_multiplier__lte", "3")
                        ),
                        name="chain_session_multiplier_plausible",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("holds_per_caller__gt", 0)),
                        name="chain_holds_per_caller_positive",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Clinic",
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
                        related_name="clinics",
                        to="clinics.chain",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("time_zone", models.CharField(help_text="IANA name", max_length=64)),
                ("country", models.CharField(help_text="ISO 3166-1 alpha-2", max_length=2)),
                (
                    "subdivision",
                    models.CharField(blank=True, help_text="ISO 3166-2 part", max_length=8),
                ),
                ("active", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["name"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "name"), name="clinic_name_once_per_chain"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Resource",
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
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="resources",
                        to="clinics.chain",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="resources",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("room", "room"),
                            ("staff", "staff"),
                            ("laser", "laser"),
                            ("handpiece", "handpiece"),
                            ("patient", "patient"),
                        ],
                        max_length=16,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind__in", ["room", "staff", "laser", "handpiece", "patient"])
                        ),
                        name="resource_kind_known",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Room",
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
                        related_name="rooms",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "resource",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="room",
                        to="clinics.resource",
                    ),
                ),
                ("name", models.CharField(max_length=80)),
                ("laser_controlled", models.BooleanField(default=True)),
                (
                    "cleared_wavelengths_nm",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.PositiveIntegerField(),
                        blank=True,
                        default=list,
                        size=None,
                    ),
                ),
                ("active", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["clinic", "name"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("clinic", "name"), name="room_name_once_per_clinic"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("laser_controlled", True),
                            ("cleared_wavelengths_nm", []),
                            _connector="OR",
                        ),
                        name="room_cleared_only_if_controlled",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="StaffMember",
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
                        related_name="staff",
                        to="clinics.chain",
                    ),
                ),
                (
                    "resource",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="staff_member",
                        to="clinics.resource",
                    ),
                ),
                (
                    "user",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="staff_member",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("active", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["name"],
            },
        ),
    ]
