"""What counters and ledger do not agree on."""

import django.db.models.deletion
from django.db import migrations, models

import devices.vocabulary
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("devices", "0006_counters"),
    ]

    operations = [
        migrations.CreateModel(
            name="CounterReconciliation",
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
                        related_name="counter_reconciliations",
                        to="clinics.chain",
                    ),
                ),
                ("ran_at", models.DateTimeField()),
                ("since", models.DateTimeField()),
                ("spans", models.PositiveIntegerField()),
                ("agreeing", models.PositiveIntegerField()),
                ("opened", models.PositiveIntegerField()),
                ("settled", models.PositiveIntegerField()),
                ("left_open", models.PositiveIntegerField()),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [
                    models.Index(fields=["chain", "-ran_at"], name="counterreconciliation_time")
                ],
            },
        ),
        migrations.CreateModel(
            name="CounterDifference",
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
                    "counter",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="differences",
                        to="devices.counter",
                    ),
                ),
                (
                    "earlier",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="devices.counterreading",
                    ),
                ),
                (
                    "later",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="devices.counterreading",
                    ),
                ),
                (
                    "finding",
                    models.CharField(
                        choices=[
                            ("agrees", "agrees"),
                            ("roll_over", "roll over"),
                            ("replacement", "replacement"),
                            ("unlogged", "unlogged"),
                            ("over_logged", "over logged"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "step",
                    models.CharField(
                        choices=[
                            ("counted", "counted"),
                            ("rolled_over", "rolled over"),
                            ("replaced", "replaced"),
                        ],
                        max_length=16,
                    ),
                ),
                ("counter_pulses", models.BigIntegerField()),
                ("ledger_pulses", models.BigIntegerField()),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("open", "open"),
                            ("explained", "explained"),
                            ("closed", "closed"),
                        ],
                        default=devices.vocabulary.DifferenceStatus["OPEN"],
                        max_length=16,
                    ),
                ),
                ("opened_at", models.DateTimeField()),
                (
                    "owner",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("explanation", models.CharField(blank=True, max_length=1000)),
                (
                    "correction",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="explained_differences",
                        to="devices.pulseentry",
                    ),
                ),
                (
                    "explained_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("explained_at", models.DateTimeField(null=True)),
                (
                    "resolution",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("accepted", "accepted"),
                            ("settled", "settled"),
                            ("superseded", "superseded"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "closed_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("closed_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(fields=["status", "counter"], name="counterdifference_status")
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("earlier", "later"), name="counterdifference_once_per_span"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "finding__in",
                                ["agrees", "roll_over", "replacement", "unlogged", "over_logged"],
                            )
                        ),
                        name="counterdifference_finding_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("step__in", ["counted", "rolled_over", "replaced"])),
                        name="counterdifference_step_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("status__in", ["open", "explained", "closed"])),
                        name="counterdifference_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("closed_at__isnull", False),
                                ("resolution__in", ["accepted", "settled", "superseded"]),
                                ("status", devices.vocabulary.DifferenceStatus["CLOSED"]),
                            ),
                            models.Q(
                                models.Q(
                                    ("status", devices.vocabulary.DifferenceStatus["CLOSED"]),
                                    _negated=True,
                                ),
                                ("closed_at__isnull", True),
                                ("resolution", ""),
                            ),
                            _connector="OR",
                        ),
                        name="counterdifference_closed_with_resolution",
                    ),
                ],
            },
        ),
        append_only_sql("devices_counterreconciliation"),
    ]
