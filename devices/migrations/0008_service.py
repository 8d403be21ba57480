"""Plans of service and the visits that followed them."""

import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

import devices.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0007_counter_differences"),
    ]

    operations = [
        migrations.CreateModel(
            name="ServicePlan",
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
                        related_name="service_plans",
                        to="devices.laser",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("every_pulses", models.PositiveBigIntegerField(blank=True, null=True)),
                ("every_months", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("tolerance_pulses", models.PositiveBigIntegerField(default=0)),
                ("tolerance_days", models.PositiveSmallIntegerField(default=0)),
                (
                    "last_done_at",
                    models.DateTimeField(help_text="From when pulses and months count"),
                ),
                (
                    "pulses_before",
                    models.PositiveBigIntegerField(
                        default=0,
                        help_text="Pulses since the last service that the ledger does not have",
                    ),
                ),
                (
                    "source",
                    models.CharField(
                        blank=True, help_text="Where the interval stands", max_length=200
                    ),
                ),
                (
                    "deferred_until",
                    models.DateTimeField(
                        blank=True, help_text="No lock-out before this instant", null=True
                    ),
                ),
                ("deferral_reason", models.CharField(blank=True, max_length=400)),
                (
                    "warned_at",
                    models.DateTimeField(help_text="When it was first seen to be near", null=True),
                ),
                ("active", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["laser", "name"],
                "constraints": [
                    models.UniqueConstraint(fields=("laser", "name"), name="serviceplan_name_once"),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("every_pulses__isnull", False),
                            ("every_months__isnull", False),
                            _connector="OR",
                        ),
                        name="serviceplan_has_interval",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("every_pulses__gt", 0)),
                        name="serviceplan_pulses_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("every_months__gt", 0)),
                        name="serviceplan_months_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("deferred_until__isnull", True),
                            models.Q(("deferral_reason", ""), _negated=True),
                            _connector="OR",
                        ),
                        name="serviceplan_deferred_with_reason",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ServiceVisit",
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
                        related_name="service_visits",
                        to="devices.laser",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("pending", "pending"),
                            ("booked", "booked"),
                            ("fulfilled", "fulfilled"),
                            ("cancelled", "cancelled"),
                        ],
                        max_length=16,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=400)),
                (
                    "booked_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "lock_out",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="service_visit",
                        to="devices.lockout",
                    ),
                ),
                ("done_at", models.DateTimeField(null=True)),
                (
                    "done_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("outcome", models.CharField(blank=True, max_length=400)),
                (
                    "verification",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="verified_visits",
                        to="devices.energycheck",
                    ),
                ),
                (
                    "plans",
                    models.ManyToManyField(
                        blank=True, related_name="visits", to="devices.serviceplan"
                    ),
                ),
            ],
            options={
                "ordering": ["-period"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="servicevisit_period_bounded",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["pending", "booked", "fulfilled", "cancelled"])
                        ),
                        name="servicevisit_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("status", devices.vocabulary.ServiceVisitStatus["FULFILLED"]),
                                _negated=True,
                            ),
                            models.Q(("done_at__isnull", False), ("done_by__isnull", False)),
                            _connector="OR",
                        ),
                        name="servicevisit_done_by_somebody",
                    ),
                ],
            },
        ),
    ]
