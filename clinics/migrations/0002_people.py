"""Who holds which role and credential, and when anybody is there."""

import django.contrib.postgres.constraints
import django.contrib.postgres.fields
import django.contrib.postgres.fields.ranges
import django.contrib.postgres.indexes
import django.db.models.deletion
import django.db.models.functions.comparison
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
    ]

    operations = [
        migrations.CreateModel(
            name="Membership",
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
                    "staff_member",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="memberships",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="memberships",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "role",
                    models.CharField(
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
                ),
                ("valid_during", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
            ],
            options={
                "ordering": ["staff_member", "role"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "role__in",
                                [
                                    "chain_manager",
                                    "front_desk",
                                    "laser_operator",
                                    "treating_clinician",
                                    "laser_safety_officer",
                                    "integrator",
                                ],
                            )
                        ),
                        name="membership_role_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("valid_during__isempty", False), ("valid_during__lower_inf", False)
                        ),
                        name="membership_valid_from",
                    ),
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[
                            ("staff_member", "="),
                            (django.db.models.functions.comparison.Coalesce("clinic", 0), "="),
                            ("role", "="),
                            ("valid_during", "&&"),
                        ],
                        name="membership_once_at_a_time",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Credential",
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
                    "staff_member",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="credentials",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("laser_operation", "laser operation"),
                            ("laser_safety_officer", "laser safety officer"),
                            ("clinical_assessment", "clinical assessment"),
                        ],
                        max_length=32,
                    ),
                ),
                (
                    "wavelengths_nm",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.PositiveIntegerField(),
                        blank=True,
                        default=list,
                        size=None,
                    ),
                ),
                ("valid_during", django.contrib.postgres.fields.ranges.DateRangeField()),
                (
                    "reference",
                    models.CharField(blank=True, help_text="Certificate number", max_length=120),
                ),
            ],
            options={
                "ordering": ["staff_member", "kind", "valid_during"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "kind__in",
                                ["laser_operation", "laser_safety_officer", "clinical_assessment"],
                            )
                        ),
                        name="credential_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("valid_during__isempty", False), ("valid_during__lower_inf", False)
                        ),
                        name="credential_valid_from",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Shift",
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
                    "staff_member",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="shifts",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="shifts",
                        to="clinics.clinic",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
            ],
            options={
                "ordering": ["period"],
                "indexes": [
                    django.contrib.postgres.indexes.GistIndex(
                        fields=["clinic", "period"], name="shift_clinic_period"
                    )
                ],
                "constraints": [
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[("staff_member", "="), ("period", "&&")],
                        name="shift_no_overlap",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="shift_period_bounded",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Absence",
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
                    "resource",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="absences",
                        to="clinics.resource",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                (
                    "reason",
                    models.CharField(
                        choices=[
                            ("closure", "closure"),
                            ("service", "service"),
                            ("leave", "leave"),
                        ],
                        max_length=16,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
                (
                    "entered_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("reason__in", ["closure", "service", "leave"])),
                        name="absence_reason_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="absence_period_bounded",
                    ),
                ],
            },
        ),
    ]
