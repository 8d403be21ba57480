"""Counters of lasers, and their readings."""

import django.db.models.deletion
from django.db import migrations, models

import devices.vocabulary
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0005_parts"),
    ]

    operations = [
        migrations.CreateModel(
            name="Counter",
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
                        related_name="counters",
                        to="clinics.chain",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[("laser", "laser"), ("lamp", "lamp"), ("handpiece", "handpiece")],
                        max_length=16,
                    ),
                ),
                (
                    "laser",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="counters",
                        to="devices.laser",
                    ),
                ),
                (
                    "handpiece",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="counters",
                        to="devices.handpiece",
                    ),
                ),
                (
                    "name",
                    models.CharField(blank=True, help_text="Which of several lamps", max_length=80),
                ),
                (
                    "unit",
                    models.CharField(
                        choices=[("pulses", "pulses"), ("thousand_pulses", "thousand pulses")],
                        default=devices.vocabulary.CounterUnit["PULSES"],
                        max_length=20,
                    ),
                ),
                (
                    "capacity",
                    models.PositiveBigIntegerField(
                        blank=True,
                        help_text="In its unit: it shows 0 after capacity - 1",
                        null=True,
                    ),
                ),
                ("active", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["laser", "lamp", "handpiece"])),
                        name="counter_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("unit__in", ["pulses", "thousand_pulses"])),
                        name="counter_unit_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("capacity__gt", 0)), name="counter_capacity_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("handpiece__isnull", False),
                                ("kind", devices.vocabulary.CounterKind["HANDPIECE"]),
                                ("laser__isnull", True),
                            ),
                            models.Q(
                                ("handpiece__isnull", True),
                                (
                                    "kind__in",
                                    [
                                        devices.vocabulary.CounterKind["LASER"],
                                        devices.vocabulary.CounterKind["LAMP"],
                                    ],
                                ),
                                ("laser__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="counter_of_one_device",
                    ),
                    models.UniqueConstraint(
                        fields=("laser", "kind", "name"), name="counter_once_per_laser"
                    ),
                    models.UniqueConstraint(
                        fields=("handpiece", "name"), name="counter_once_per_handpiece"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="CounterLayout",
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
                        related_name="counter_layouts",
                        to="clinics.chain",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("columns", models.JSONField(help_text="Heading of the column of each field")),
                (
                    "fixed",
                    models.JSONField(
                        blank=True, default=dict, help_text="Value of a field without column"
                    ),
                ),
                ("delimiter", models.CharField(default=",", max_length=1)),
                ("encoding", models.CharField(default="utf-8", max_length=16)),
                (
                    "time_format",
                    models.CharField(
                        blank=True, help_text="As strptime takes it; empty: ISO 8601", max_length=40
                    ),
                ),
            ],
            options={
                "ordering": ["name"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "name"), name="counterlayout_name_once_per_chain"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="CounterImport",
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
                        related_name="counter_imports",
                        to="clinics.chain",
                    ),
                ),
                (
                    "layout",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="imports",
                        to="devices.counterlayout",
                    ),
                ),
                ("digest", models.CharField(max_length=64)),
                ("rows", models.PositiveIntegerField()),
                ("imported_at", models.DateTimeField()),
                (
                    "imported_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
            ],
            options={
                "ordering": ["-id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "digest"), name="counterimport_file_once"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="CounterReading",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "counter",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="readings",
                        to="devices.counter",
                    ),
                ),
                ("read_at", models.DateTimeField()),
                ("value", models.PositiveBigIntegerField()),
                (
                    "step",
                    models.CharField(
                        choices=[
                            ("counted", "counted"),
                            ("rolled_over", "rolled over"),
                            ("replaced", "replaced"),
                        ],
                        default=devices.vocabulary.CounterStep["COUNTED"],
                        max_length=16,
                    ),
                ),
                (
                    "first_value",
                    models.PositiveBigIntegerField(
                        default=0, help_text="What it showed when it was replaced"
                    ),
                ),
                (
                    "installation",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="counter_readings",
                        to="devices.installation",
                    ),
                ),
                (
                    "occasion",
                    models.CharField(
                        choices=[
                            ("session_start", "session start"),
                            ("session_end", "session end"),
                            ("daily", "daily"),
                            ("service", "service"),
                            ("other", "other"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "read_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=400)),
                (
                    "source",
                    models.CharField(
                        blank=True, help_text="`<table>:<id>` of its owner", max_length=64
                    ),
                ),
                (
                    "corrects",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="correction",
                        to="devices.counterreading",
                    ),
                ),
                ("reason", models.CharField(blank=True, max_length=400)),
                (
                    "withdrawn",
                    models.BooleanField(
                        default=False, help_text="The reading that it corrects was none"
                    ),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(fields=["counter", "read_at"], name="counterreading_time")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("step__in", ["counted", "rolled_over", "replaced"])),
                        name="counterreading_step_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "occasion__in",
                                ["session_start", "session_end", "daily", "service", "other"],
                            )
                        ),
                        name="counterreading_occasion_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("installation__isnull", False),
                                ("step", devices.vocabulary.CounterStep["REPLACED"]),
                            ),
                            models.Q(
                                models.Q(
                                    ("step", devices.vocabulary.CounterStep["REPLACED"]),
                                    _negated=True,
                                ),
                                ("first_value", 0),
                                ("installation__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="counterreading_reset_has_a_part",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("corrects__isnull", True), ("withdrawn", False)),
                            models.Q(
                                models.Q(("corrects__isnull", False)),
                                models.Q(("reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="counterreading_correction_has_reason",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("corrects__isnull", True)),
                        fields=("counter", "read_at"),
                        name="counterreading_once_at_a_time",
                    ),
                ],
            },
        ),
        append_only_sql("devices_counterreading"),
        append_only_sql("devices_counterimport"),
    ]
