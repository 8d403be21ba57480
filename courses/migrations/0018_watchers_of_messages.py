"""Numbers for watchers, and whose chain a message is of, asked before it is known."""

from django.db import migrations

# Asked before any chain is known: whoever asks has signed for the message.
MESSAGE_CHAIN = """
CREATE FUNCTION courses_message_chain(asked bigint) RETURNS bigint
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp
AS $$
    SELECT course.chain_id
    FROM courses_message AS message
    JOIN courses_recall AS recall ON recall.id = message.recall_id
    JOIN courses_course AS course ON course.id = recall.course_id
    WHERE message.id = asked
$$
"""

# Of all chains: numbers only.
GAUGES = """
CREATE FUNCTION courses_message_gauges(at timestamptz)
RETURNS TABLE (
    due bigint, late bigint, oldest timestamptz, calls bigint, unreachable bigint,
    sent_day bigint, failed_day bigint, to_plan bigint, plans_failing bigint, to_close bigint
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
        (SELECT count(*) FROM courses_recallplan WHERE look_at IS NOT NULL AND look_at <= at),
        (SELECT count(*) FROM courses_recallplan WHERE failures > 0),
        (SELECT count(*) FROM courses_healingwindow WHERE state = 'open' AND closes_at <= at)
    FROM (
        SELECT count(*) AS due, min(due_at) AS oldest,
            count(*) FILTER (WHERE due_at < at - interval '5 minutes') AS late
        FROM courses_message
        WHERE status IN ('preparation', 'in-progress') AND due_at <= at
    ) AS waiting
$$
"""

# Of all chains: a time and a number, each from the front of an index.
HEALTH = """
CREATE FUNCTION courses_message_health(at timestamptz)
RETURNS TABLE (oldest timestamptz, plans_failing bigint)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp
AS $$
    SELECT (
        SELECT due_at FROM courses_message
        WHERE status IN ('preparation', 'in-progress') AND due_at <= at
        ORDER BY due_at, id LIMIT 1
    ), (
        SELECT count(*) FROM (
            SELECT FROM courses_recallplan WHERE failures > 0 LIMIT 1000
        ) AS failing
    )
$$
"""


class Migration(migrations.Migration):
    dependencies = [
        ("courses", "0017_where_a_patient_stands"),
    ]

    operations = [
        migrations.RunSQL(MESSAGE_CHAIN, "DROP FUNCTION courses_message_chain(bigint)"),
        migrations.RunSQL(GAUGES, "DROP FUNCTION courses_message_gauges(timestamptz)"),
        migrations.RunSQL(HEALTH, "DROP FUNCTION courses_message_health(timestamptz)"),
    ]
