"""Series of appointments, the waiting list, gaps and their offers, calendar feeds."""

import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

from core.transitions import drop_trigger_sql, trigger_sql

STEPS = {
    "courses_waitinglistentry": ["waitlist>booked", "waitlist>cancelled"],
    "courses_gap": ["offering>exhausted", "offering>filled", "offering>withdrawn"],
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
        ("clinics", "0002_holds_per_caller"),
        ("courses", "0005_precautions_and_calibration"),
        ("devices", "0003_read_the_ledger_by_time"),
    ]

    operations = [
        migrations.CreateModel(
            name="CalendarFeed",
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
                ("token_digest", models.CharField(max_length=64, unique=True)),
                ("revoked_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["id"],
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
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
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
                        default="offering",
                        max_length=12,
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
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
                        default="queued",
                        max_length=12,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                ("offered_at", models.DateTimeField(null=True)),
                ("expires_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["gap", "position"],
            },
        ),
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
                    "status",
                    models.CharField(
                        choices=[
                            ("waitlist", "waitlist"),
                            ("booked", "booked"),
                            ("cancelled", "cancelled"),
                        ],
                        default="waitlist",
                        max_length=20,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=400)),
                ("since", models.DateTimeField()),
                ("wishes", models.JSONField(blank=True, default=list)),
                ("technique", models.JSONField(blank=True, default=dict)),
                ("notice_hours", models.PositiveSmallIntegerField(default=0)),
                ("note", models.CharField(blank=True, max_length=400)),
            ],
            options={
                "ordering": ["since", "id"],
            },
        ),
        migrations.AddField(
            model_name="appointment",
            name="next_advised_on",
            field=models.DateField(null=True),
        ),
        migrations.AddField(
            model_name="appointment",
            name="next_earliest_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="appointment",
            name="position",
            field=models.PositiveSmallIntegerField(help_text="In its series, from 1", null=True),
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
                ("preference", models.FloatField(default=1.0)),
                (
                    "clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.clinic",
                    ),
                ),
            ],
            options={
                "ordering": ["-preference", "clinic"],
            },
        ),
        migrations.CreateModel(
            name="AppointmentSeries",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                (
                    "booked_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                (
                    "course",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="series",
                        to="courses.course",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.AddField(
            model_name="appointment",
            name="series",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="appointments",
                to="courses.appointmentseries",
            ),
        ),
        migrations.AddIndex(
            model_name="appointment",
            index=models.Index(
                condition=models.Q(("status", "proposed")),
                fields=["booked_by", "hold_expires_at"],
                name="appointment_held",
            ),
        ),
        migrations.AddIndex(
            model_name="appointment",
            index=models.Index(fields=["room", "starts_at"], name="appointment_room_time"),
        ),
        migrations.AddIndex(
            model_name="appointment",
            index=models.Index(fields=["operator", "starts_at"], name="appointment_operator_time"),
        ),
        migrations.AddConstraint(
            model_name="appointment",
            constraint=models.UniqueConstraint(
                fields=("series", "position"), name="appointment_position_once_in_series"
            ),
        ),
        migrations.AddConstraint(
            model_name="appointment",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("position__isnull", True), ("series__isnull", True)),
                    models.Q(("position__gt", 0), ("series__isnull", False)),
                    _connector="OR",
                ),
                name="appointment_position_in_series",
            ),
        ),
        migrations.AddField(
            model_name="calendarfeed",
            name="made_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="calendarfeed",
            name="resource",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="calendar_feeds",
                to="clinics.resource",
            ),
        ),
        migrations.AddField(
            model_name="gap",
            name="clinic",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="gaps",
                to="clinics.clinic",
            ),
        ),
        migrations.AddField(
            model_name="gap",
            name="laser",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="gaps",
                to="devices.laser",
            ),
        ),
        migrations.AddField(
            model_name="gap",
            name="started_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="gapoffer",
            name="appointment",
            field=models.OneToOneField(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="gap_offer",
                to="courses.appointment",
            ),
        ),
        migrations.AddField(
            model_name="gapoffer",
            name="gap",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="offers", to="courses.gap"
            ),
        ),
        migrations.AddField(
            model_name="gapoffer",
            name="replaces",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="courses.appointment",
            ),
        ),
        migrations.AddField(
            model_name="waitinglistentry",
            name="course",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="waiting_list_entries",
                to="courses.course",
            ),
        ),
        migrations.AddField(
            model_name="waitinglistentry",
            name="entered_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="gapoffer",
            name="entry",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="offers",
                to="courses.waitinglistentry",
            ),
        ),
        migrations.AddField(
            model_name="acceptedclinic",
            name="entry",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE,
                related_name="clinics",
                to="courses.waitinglistentry",
            ),
        ),
        migrations.AddIndex(
            model_name="calendarfeed",
            index=models.Index(fields=["resource"], name="calendarfeed_resource"),
        ),
        migrations.AddConstraint(
            model_name="gap",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("status__in", ["offering", "filled", "exhausted", "withdrawn"])
                ),
                name="gap_status_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="gap",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("period__isempty", False),
                    ("period__lower_inf", False),
                    ("period__upper_inf", False),
                ),
                name="gap_period_bounded",
            ),
        ),
        migrations.AddConstraint(
            model_name="gap",
            constraint=models.CheckConstraint(
                condition=models.Q(("hold_minutes__gt", 0)), name="gap_hold_minutes_positive"
            ),
        ),
        migrations.AddIndex(
            model_name="waitinglistentry",
            index=models.Index(
                condition=models.Q(("status", "waitlist")),
                fields=["since", "id"],
                name="waitinglistentry_waiting",
            ),
        ),
        migrations.AddConstraint(
            model_name="waitinglistentry",
            constraint=models.CheckConstraint(
                condition=models.Q(("status__in", ["waitlist", "booked", "cancelled"])),
                name="waitinglistentry_status_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="waitinglistentry",
            constraint=models.UniqueConstraint(
                condition=models.Q(("status", "waitlist")),
                fields=("course",),
                name="waitinglistentry_once_per_course",
            ),
        ),
        migrations.AddIndex(
            model_name="gapoffer",
            index=models.Index(
                condition=models.Q(("status", "offered")),
                fields=["expires_at", "id"],
                name="gapoffer_to_expire",
            ),
        ),
        migrations.AddConstraint(
            model_name="gapoffer",
            constraint=models.CheckConstraint(
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
        ),
        migrations.AddConstraint(
            model_name="gapoffer",
            constraint=models.UniqueConstraint(
                fields=("gap", "position"), name="gapoffer_position_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="gapoffer",
            constraint=models.UniqueConstraint(
                fields=("gap", "entry"), name="gapoffer_entry_once_per_gap"
            ),
        ),
        migrations.AddConstraint(
            model_name="gapoffer",
            constraint=models.UniqueConstraint(
                condition=models.Q(("status", "offered")),
                fields=("gap",),
                name="gapoffer_one_at_a_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="gapoffer",
            constraint=models.UniqueConstraint(
                condition=models.Q(("status", "offered")),
                fields=("entry",),
                name="gapoffer_one_for_each_entry",
            ),
        ),
        migrations.AddConstraint(
            model_name="gapoffer",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        (
                            "status__in",
                            [
                                "offered",
                                "accepted",
                            ],
                        ),
                        _negated=True,
                    ),
                    models.Q(("appointment__isnull", False), ("expires_at__isnull", False)),
                    _connector="OR",
                ),
                name="gapoffer_offered_is_held",
            ),
        ),
        migrations.AddConstraint(
            model_name="acceptedclinic",
            constraint=models.UniqueConstraint(
                fields=("entry", "clinic"), name="acceptedclinic_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="acceptedclinic",
            constraint=models.CheckConstraint(
                condition=models.Q(("preference__gte", 0), ("preference__lte", 1)),
                name="acceptedclinic_preference_is_fraction",
            ),
        ),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
