"""Recalls that speak of one occasion each, also without a window; calls for the front desk."""

import django.db.models.deletion
from django.db import migrations, models
from django.db.models import Q

from core.transitions import drop_trigger_sql, trigger_sql

BEFORE = [
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
]
AFTER = sorted([*BEFORE, "in-progress>on-hold", "on-hold>completed", "on-hold>stopped"])
TABLE = "courses_message"


def steps_sql(steps):
    return drop_trigger_sql(table=TABLE) + trigger_sql(table=TABLE, steps=steps)


class Migration(migrations.Migration):
    dependencies = [("courses", "0003_reasons_decided_version_and_name_prefixes")]

    operations = [
        migrations.RemoveConstraint(model_name="recall", name="recall_once_per_window_and_step"),
        migrations.AddField(
            model_name="recall",
            name="occasion",
            field=models.CharField(
                default="", help_text="What it speaks of, as a unique key", max_length=80
            ),
            preserve_default=False,
        ),
        migrations.RunSQL(
            sql="UPDATE courses_recall SET occasion = 'earlier:' || id",
            reverse_sql=migrations.RunSQL.noop,
        ),
        migrations.AlterField(
            model_name="recall",
            name="window",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="recalls",
                to="courses.healingwindow",
            ),
        ),
        migrations.AddIndex(
            model_name="appointment",
            index=models.Index(
                condition=Q(("status", "booked")),
                fields=["starts_at", "id"],
                name="appointment_to_remind",
            ),
        ),
        migrations.AddIndex(
            model_name="message",
            index=models.Index(
                condition=Q(("status", "on-hold")),
                fields=["due_at", "id"],
                name="message_call_open",
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.UniqueConstraint(
                fields=("occasion", "kind", "step"), name="recall_once_per_occasion_and_step"
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.CheckConstraint(
                condition=Q(("occasion", ""), _negated=True), name="recall_has_occasion"
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.CheckConstraint(
                condition=Q(
                    Q(("kind", "invitation"), ("window__isnull", False)),
                    Q(("appointment__isnull", False), ("kind", "reminder")),
                    _connector="OR",
                ),
                name="recall_speaks_of_something",
            ),
        ),
        migrations.RunSQL(sql=steps_sql(AFTER), reverse_sql=steps_sql(BEFORE)),
    ]
