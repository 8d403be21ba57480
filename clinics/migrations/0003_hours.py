"""When a clinic is open."""

import django.contrib.postgres.fields.ranges
import django.contrib.postgres.indexes
import django.db.models.deletion
from django.db import migrations, models

import clinics.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0002_people"),
    ]

    operations = [
        migrations.CreateModel(
            name="OpeningRule",
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
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="opening_rules",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "weekday",
                    models.PositiveSmallIntegerField(
                        help_text="1 is Monday, 7 is Sunday (ISO 8601)"
                    ),
                ),
                ("opens", models.TimeField()),
                ("closes", models.TimeField()),
                ("valid_during", django.contrib.postgres.fields.ranges.DateRangeField()),
            ],
            options={
                "ordering": ["clinic", "weekday", "opens"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("weekday__gte", 1), ("weekday__lte", 7)),
                        name="openingrule_weekday_iso",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("closes__gt", models.F("opens")), ("closes", "00:00"), _connector="OR"
                        ),
                        name="openingrule_closes_after_opens",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("valid_during__isempty", False), ("valid_during__lower_inf", False)
                        ),
                        name="openingrule_valid_from",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Closure",
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
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="closures",
                        to="clinics.clinic",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                ("reason", models.CharField(max_length=200)),
            ],
            options={
                "ordering": ["period"],
                "indexes": [
                    django.contrib.postgres.indexes.GistIndex(
                        fields=["clinic", "period"], name="closure_clinic_period"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="closure_period_bounded",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="HolidayOverride",
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
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="holiday_overrides",
                        to="clinics.clinic",
                    ),
                ),
                ("date", models.DateField()),
                (
                    "treatment",
                    models.CharField(
                        choices=[("closed", "closed"), ("open", "open")], max_length=8
                    ),
                ),
                ("opens", models.TimeField(null=True)),
                ("closes", models.TimeField(null=True)),
                ("reason", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["date"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("clinic", "date"), name="holidayoverride_once_a_day"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("treatment__in", ["closed", "open"])),
                        name="holidayoverride_treatment_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("closes__gt", models.F("opens")), ("closes", "00:00"), _connector="OR"
                        ),
                        name="holidayoverride_closes_after_opens",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("closes__isnull", True), ("opens__isnull", True)),
                            models.Q(
                                ("closes__isnull", False),
                                ("opens__isnull", False),
                                ("treatment", clinics.vocabulary.HolidayTreatment["OPEN"]),
                            ),
                            _connector="OR",
                        ),
                        name="holidayoverride_hours_both_or_none",
                    ),
                ],
            },
        ),
    ]
