"""Plans that cannot be made are counted, and windows that wait for their closing."""

from django.db import migrations, models

BEFORE = """
DROP FUNCTION courses_message_gauges(timestamptz);
CREATE FUNCTION courses_message_gauges(at timestamptz)
RETURNS TABLE (
    due bigint, late bigint, oldest timestamptz, calls bigint, unreachable bigint,
    sent_day bigint, failed_day bigint, to_plan bigint
)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp
AS $$
    SELECT waiting.due, waiting.late, waiting.oldest,
        (SELECT count(*) FROM courses_message WHERE status = 'on-hold'),
        (SELECT count(*) FROM courses_recall WHERE status = 'on-hold'),
        (SELECT count(*) FROM courses_message
            WHERE sent_at IS NOT NULL AND sent_at > at - interval '1 day' AND status = 'completed'),
        (SELECT count(*) FROM courses_message
            WHERE status = 'stopped' AND updated_at > at - interval '1 day'),
        (SELECT count(*) FROM courses_recallplan WHERE look_at IS NOT NULL AND look_at <= at)
    FROM (
        SELECT count(*) AS due, min(due_at) AS oldest,
            count(*) FILTER (WHERE due_at < at - interval '5 minutes') AS late
        FROM courses_message
        WHERE status IN ('preparation', 'in-progress') AND due_at <= at
    ) AS waiting
$$
"""
# Old code names the columns that it reads.
AFTER = BEFORE.replace(
    "failed_day bigint, to_plan bigint",
    "failed_day bigint, to_plan bigint, plans_failing bigint, to_close bigint",
).replace(
    "WHERE look_at IS NOT NULL AND look_at <= at)\n",
    """WHERE look_at IS NOT NULL AND look_at <= at),
        (SELECT count(*) FROM courses_recallplan WHERE failures > 0),
        (SELECT count(*) FROM courses_healingwindow WHERE state = 'open' AND closes_at <= at)
""",
)


class Migration(migrations.Migration):
    dependencies = [("courses", "0015_erasure")]

    operations = [
        migrations.AddField(
            model_name="recallplan",
            name="failures",
            field=models.PositiveSmallIntegerField(db_default=0, default=0),
        ),
        migrations.AddIndex(
            model_name="recallplan",
            index=models.Index(
                condition=models.Q(("failures__gt", 0)),
                fields=["course"],
                name="recallplan_failing",
            ),
        ),
        migrations.RunSQL(AFTER, BEFORE),
    ]
