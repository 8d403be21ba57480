"""Who waits for an earlier slot, and gaps that are offered to them."""

import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_waitinglistentry": [
        "waitlist>booked",
        "waitlist>cancelled",
    ],
    "courses_gap": [
        "offering>exhausted",
        "offering>filled",
        "offering>withdrawn",
    ],
    "courses_gapoffer": [
        "offered>accepted",
        "offered>declined",
        "offered>expired",
        "offered>withdrawn",
        "queued>offered",
        "queued>passed_over",
        "queued>withdrawn",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0009_precautions_and_calibration"),
        ("devices", "0001_lasers"),
    ]

    operations = [
        migrations.CreateModel(
            name="WaitingListEntry",
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
                    "course",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="waiting_list_entries",
                        to="courses.course",
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("waitlist", "waitlist"),
                            ("booked", "booked"),
                            ("cancelled", "cancelled"),
                        ],
                        default=courses.vocabulary.WaitingStatus["WAITLIST"],
                        max_length=20,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                ("since", models.DateTimeField()),
                ("wishes", models.JSONField(blank=True, default=list)),
                ("technique", models.JSONField(blank=True, default=dict)),
                ("notice_hours", models.PositiveSmallIntegerField(default=0)),
                ("note", models.CharField(blank=True, max_length=400)),
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
                "ordering": ["since", "id"],
                "indexes": [
                    models.Index(
                        condition=models.Q(
                            ("status", courses.vocabulary.WaitingStatus["WAITLIST"])
                        ),
                        fields=["since", "id"],
                        name="waitinglistentry_waiting",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("status__in", ["waitlist", "booked", "cancelled"])),
                        name="waitinglistentry_status_known",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(
                            ("status", courses.vocabulary.WaitingStatus["WAITLIST"])
                        ),
                        fields=("course",),
                        name="waitinglistentry_once_per_course",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="AcceptedClinic",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "entry",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="clinics",
                        to="courses.waitinglistentry",
                    ),
                ),
                (
                    "clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.clinic",
                    ),
                ),
                ("preference", models.FloatField(default=1.0)),
            ],
            options={
                "ordering": ["-preference", "clinic"],
                "constraints": [
                    models.UniqueConstraint(fields=("entry", "clinic"), name="acceptedclinic_once"),
                    models.CheckConstraint(
                        condition=models.Q(("preference__gte", 0), ("preference__lte", 1)),
                        name="acceptedclinic_preference_is_fraction",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Gap",
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
                        related_name="gaps",
                        to="clinics.clinic",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                (
                    "laser",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="gaps",
                        to="devices.laser",
                    ),
                ),
                (
                    "hold_minutes",
                    models.PositiveSmallIntegerField(
                        help_text="How long each has to answer; the slot is held meanwhile"
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("offering", "offering"),
                            ("filled", "filled"),
                            ("exhausted", "exhausted"),
                            ("withdrawn", "withdrawn"),
                        ],
                        default=courses.vocabulary.GapStatus["OFFERING"],
                        max_length=12,
                    ),
                ),
                (
                    "started_by",
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
                        condition=models.Q(
                            ("status__in", ["offering", "filled", "exhausted", "withdrawn"])
                        ),
                        name="gap_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="gap_period_bounded",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("hold_minutes__gt", 0)),
                        name="gap_hold_minutes_positive",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="GapOffer",
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
                    "gap",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="offers",
                        to="courses.gap",
                    ),
                ),
                (
                    "entry",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="offers",
                        to="courses.waitinglistentry",
                    ),
                ),
                (
                    "position",
                    models.PositiveSmallIntegerField(help_text="From 1: who is asked first"),
                ),
                ("overdue_days", models.IntegerField()),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("queued", "queued"),
                            ("offered", "offered"),
                            ("accepted", "accepted"),
                            ("declined", "declined"),
                            ("expired", "expired"),
                            ("passed_over", "passed over"),
                            ("withdrawn", "withdrawn"),
                        ],
                        default=courses.vocabulary.OfferStatus["QUEUED"],
                        max_length=12,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                (
                    "appointment",
                    models.OneToOneField(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="gap_offer",
                        to="courses.appointment",
                    ),
                ),
                (
                    "replaces",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="courses.appointment",
                    ),
                ),
                ("offered_at", models.DateTimeField(null=True)),
                ("expires_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["gap", "position"],
                "indexes": [
                    models.Index(
                        condition=models.Q(("status", courses.vocabulary.OfferStatus["OFFERED"])),
                        fields=["expires_at", "id"],
                        name="gapoffer_to_expire",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    "queued",
                                    "offered",
                                    "accepted",
                                    "declined",
                                    "expired",
                                    "passed_over",
                                    "withdrawn",
                                ],
                            )
                        ),
                        name="gapoffer_status_known",
                    ),
                    models.UniqueConstraint(
                        fields=("gap", "position"), name="gapoffer_position_once"
                    ),
                    models.UniqueConstraint(
                        fields=("gap", "entry"), name="gapoffer_entry_once_per_gap"
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("status", courses.vocabulary.OfferStatus["OFFERED"])),
                        fields=("gap",),
                        name="gapoffer_one_at_a_time",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("status", courses.vocabulary.OfferStatus["OFFERED"])),
                        fields=("entry",),
                        name="gapoffer_one_for_each_entry",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                (
                                    "status__in",
                                    [
                                        courses.vocabulary.OfferStatus["OFFERED"],
                                        courses.vocabulary.OfferStatus["ACCEPTED"],
                                    ],
                                ),
                                _negated=True,
                            ),
                            models.Q(("appointment__isnull", False), ("expires_at__isnull", False)),
                            _connector="OR",
                        ),
                        name="gapoffer_offered_is_held",
                    ),
                ],
            },
        ),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
