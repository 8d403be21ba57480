"""Allowed status steps, and tables that only grow: the database has the last word."""

from django.db import migrations

from core.models import append_only_sql
from core.transitions import drop_trigger_sql, trigger_sql

# Frozen here on purpose: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_course": [
        "active>completed",
        "active>entered-in-error",
        "active>on-hold",
        "active>revoked",
        "completed>entered-in-error",
        "draft>active",
        "draft>entered-in-error",
        "draft>revoked",
        "on-hold>active",
        "on-hold>completed",
        "on-hold>entered-in-error",
        "on-hold>revoked",
        "revoked>entered-in-error",
    ],
    "courses_session": [
        "completed>entered-in-error",
        "in-progress>completed",
        "in-progress>entered-in-error",
        "in-progress>stopped",
        "not-done>entered-in-error",
        "preparation>completed",
        "preparation>entered-in-error",
        "preparation>in-progress",
        "preparation>not-done",
        "preparation>stopped",
        "stopped>entered-in-error",
    ],
    "courses_appointment": [
        "arrived>booked",
        "arrived>cancelled",
        "arrived>checked-in",
        "arrived>entered-in-error",
        "arrived>fulfilled",
        "booked>arrived",
        "booked>cancelled",
        "booked>entered-in-error",
        "booked>fulfilled",
        "booked>noshow",
        "cancelled>entered-in-error",
        "checked-in>cancelled",
        "checked-in>entered-in-error",
        "checked-in>fulfilled",
        "fulfilled>entered-in-error",
        "noshow>entered-in-error",
        "proposed>booked",
        "proposed>cancelled",
        "proposed>entered-in-error",
        "waitlist>booked",
        "waitlist>cancelled",
        "waitlist>entered-in-error",
        "waitlist>proposed",
    ],
    "courses_recall": [
        "active>completed",
        "active>entered-in-error",
        "active>on-hold",
        "active>revoked",
        "completed>entered-in-error",
        "draft>active",
        "draft>entered-in-error",
        "draft>revoked",
        "on-hold>active",
        "on-hold>entered-in-error",
        "on-hold>revoked",
        "revoked>entered-in-error",
    ],
    "courses_message": [
        "completed>entered-in-error",
        "in-progress>completed",
        "in-progress>entered-in-error",
        "in-progress>not-done",
        "in-progress>preparation",
        "in-progress>stopped",
        "not-done>entered-in-error",
        "on-hold>entered-in-error",
        "on-hold>not-done",
        "on-hold>preparation",
        "preparation>entered-in-error",
        "preparation>in-progress",
        "preparation>not-done",
        "preparation>on-hold",
        "preparation>stopped",
        "stopped>entered-in-error",
        "stopped>preparation",
    ],
}


class Migration(migrations.Migration):
    dependencies = [("courses", "0001_initial")]

    operations = [
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
        append_only_sql("courses_healingwindowversion"),
        append_only_sql("courses_healingdecision"),
    ]
