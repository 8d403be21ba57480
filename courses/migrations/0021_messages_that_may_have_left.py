"""A message that may have left says so, and may turn out to have arrived after all."""

from django.db import migrations, models

from core.transitions import drop_trigger_sql, trigger_sql

RECALL_BEFORE = [
    "active>completed",
    "active>entered-in-error",
    "active>on-hold",
    "active>revoked",
    "completed>active",
    "completed>entered-in-error",
    "draft>active",
    "draft>entered-in-error",
    "draft>revoked",
    "on-hold>active",
    "on-hold>entered-in-error",
    "on-hold>revoked",
    "revoked>active",
    "revoked>entered-in-error",
    "revoked>on-hold",
]
RECALL_AFTER = sorted([*RECALL_BEFORE, "on-hold>completed"])
MESSAGE_BEFORE = [
    "completed>entered-in-error",
    "completed>stopped",
    "in-progress>completed",
    "in-progress>entered-in-error",
    "in-progress>not-done",
    "in-progress>on-hold",
    "in-progress>preparation",
    "in-progress>stopped",
    "not-done>entered-in-error",
    "not-done>preparation",
    "on-hold>completed",
    "on-hold>entered-in-error",
    "on-hold>not-done",
    "on-hold>preparation",
    "on-hold>stopped",
    "preparation>entered-in-error",
    "preparation>in-progress",
    "preparation>not-done",
    "preparation>on-hold",
    "preparation>stopped",
    "stopped>entered-in-error",
    "stopped>preparation",
]
# A worker takes what a report has settled as sent; a report settles what waits or was given up.
MESSAGE_AFTER = sorted([*MESSAGE_BEFORE, "preparation>completed", "stopped>completed"])


def steps_sql(*, recall, message):
    return "".join(
        drop_trigger_sql(table=table) + trigger_sql(table=table, steps=steps)
        for table, steps in (("courses_recall", recall), ("courses_message", message))
    )


class Migration(migrations.Migration):
    dependencies = [("courses", "0020_names_found_by_their_spelling")]

    operations = [
        migrations.AddField(
            model_name="message",
            name="may_have_left",
            field=models.BooleanField(
                db_default=False,
                default=False,
                help_text="An attempt ended without a word, and nobody has told what became of it",
            ),
        ),
        migrations.RunSQL(
            sql=steps_sql(recall=RECALL_AFTER, message=MESSAGE_AFTER),
            reverse_sql=steps_sql(recall=RECALL_BEFORE, message=MESSAGE_BEFORE),
        ),
    ]
