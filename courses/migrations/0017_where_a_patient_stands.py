"""Where a patient who is ready stands is kept beside the plan by triggers."""

from django.db import migrations

# Invitations and answers count from sixty days before the window closed, as in the desk's list.
STAND = """
    UPDATE courses_recallplan AS plan
    SET standing = found.standing, last_sent_at = found.last_sent_at
    FROM (
        SELECT own.course_id, said.last_sent_at,
            CASE
                WHEN newest.withdrawn THEN 'withdrawn'
                WHEN said.replied_at IS NOT NULL
                    AND (said.last_sent_at IS NULL OR said.last_sent_at <= said.replied_at)
                    THEN 'answered'
                WHEN EXISTS (
                    SELECT FROM courses_recall AS recall
                    JOIN courses_message AS message ON message.recall_id = recall.id
                    WHERE recall.course_id = own.course_id AND message.status = 'on-hold'
                ) THEN 'to_call'
                WHEN EXISTS (
                    SELECT FROM courses_recall AS recall
                    WHERE recall.course_id = own.course_id AND recall.kind = 'invitation'
                    AND recall.status = 'on-hold'
                ) THEN 'unreachable'
                WHEN said.last_sent_at IS NOT NULL THEN 'invited'
                ELSE 'due'
            END AS standing
        FROM courses_recallplan AS own
        CROSS JOIN LATERAL (
            SELECT (own.ready_on - 60)::timestamp AT TIME ZONE 'UTC' AS at
        ) AS since
        CROSS JOIN LATERAL (
            SELECT
                max(message.sent_at) FILTER (
                    WHERE message.status = 'completed' AND message.sent_at >= since.at
                ) AS last_sent_at,
                max(reply.replied_at) FILTER (WHERE reply.replied_at >= since.at) AS replied_at
            FROM courses_recall AS recall
            JOIN courses_message AS message ON message.recall_id = recall.id
            LEFT JOIN courses_reply AS reply ON reply.message_id = message.id
            WHERE recall.course_id = own.course_id AND recall.kind = 'invitation'
        ) AS said
        CROSS JOIN LATERAL (
            SELECT EXISTS (
                SELECT FROM courses_recall AS ended
                WHERE ended.course_id = own.course_id AND ended.kind = 'invitation'
                AND ended.withdrawn_by_id IS NOT NULL AND ended.occasion = (
                    SELECT recall.occasion FROM courses_recall AS recall
                    WHERE recall.course_id = own.course_id AND recall.kind = 'invitation'
                    AND recall.due_at >= since.at
                    ORDER BY recall.due_at DESC, recall.id DESC LIMIT 1
                )
            ) AS withdrawn
        ) AS newest
        WHERE own.ready_on IS NOT NULL AND own.course_id = ANY (courses)
    ) AS found
    WHERE plan.course_id = found.course_id
    AND (plan.standing, plan.last_sent_at)
        IS DISTINCT FROM (found.standing, found.last_sent_at)
"""

# The first statement locks the rows; the second one then reads what others have committed.
STAND_OF = f"""
CREATE FUNCTION recall_stand(courses bigint[]) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    PERFORM FROM courses_recallplan
    WHERE course_id = ANY (courses) AND ready_on IS NOT NULL
    ORDER BY course_id FOR NO KEY UPDATE;
    IF FOUND THEN
        {STAND};
    END IF;
END $$;
"""

# What a plan follows may be where its patient stands; most of it is not, and costs nothing more.
FOLLOW = """
CREATE FUNCTION recall_stand_follow_message() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    touched bigint[];
BEGIN
    IF TG_OP = 'INSERT' THEN
        touched := ARRAY(
            SELECT DISTINCT recall.course_id FROM arrived AS later
            JOIN courses_recall AS recall ON recall.id = later.recall_id
            WHERE later.status = 'on-hold'
            OR (later.status = 'completed' AND recall.kind = 'invitation')
        );
    ELSE
        touched := ARRAY(
            SELECT DISTINCT recall.course_id FROM arrived AS later
            JOIN gone AS earlier ON earlier.id = later.id
            JOIN courses_recall AS recall ON recall.id = later.recall_id
            WHERE (later.status, later.sent_at) IS DISTINCT FROM (earlier.status, earlier.sent_at)
            AND ('on-hold' IN (later.status, earlier.status)
                OR ('completed' IN (later.status, earlier.status) AND recall.kind = 'invitation'))
        );
    END IF;
    IF cardinality(touched) > 0 THEN
        PERFORM recall_stand(touched);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER courses_message_stand_added AFTER INSERT ON courses_message
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_stand_follow_message();
CREATE TRIGGER courses_message_stand_changed AFTER UPDATE ON courses_message
REFERENCING OLD TABLE AS gone NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_stand_follow_message();

CREATE FUNCTION recall_stand_follow_recall() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    touched bigint[];
BEGIN
    IF TG_OP = 'INSERT' THEN
        touched := ARRAY(
            SELECT DISTINCT later.course_id FROM arrived AS later
            WHERE later.kind = 'invitation' AND (later.status = 'on-hold' OR EXISTS (
                SELECT FROM courses_recallplan AS plan
                WHERE plan.course_id = later.course_id AND plan.standing = 'withdrawn'
            ))
        );
    ELSE
        touched := ARRAY(
            SELECT DISTINCT later.course_id FROM arrived AS later
            JOIN gone AS earlier ON earlier.id = later.id
            WHERE later.kind = 'invitation' AND (
                (later.status <> earlier.status AND 'on-hold' IN (later.status, earlier.status))
                OR later.withdrawn_by_id IS DISTINCT FROM earlier.withdrawn_by_id
                OR (later.due_at <> earlier.due_at AND EXISTS (
                    SELECT FROM courses_recall AS other
                    WHERE other.course_id = later.course_id AND other.withdrawn_by_id IS NOT NULL
                ))
            )
        );
    END IF;
    IF cardinality(touched) > 0 THEN
        PERFORM recall_stand(touched);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER courses_recall_stand_added AFTER INSERT ON courses_recall
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_stand_follow_recall();
CREATE TRIGGER courses_recall_stand_changed AFTER UPDATE ON courses_recall
REFERENCING OLD TABLE AS gone NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_stand_follow_recall();

CREATE FUNCTION recall_stand_follow_reply() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM recall_stand(ARRAY(
        SELECT DISTINCT recall.course_id FROM arrived AS later
        JOIN courses_message AS message ON message.id = later.message_id
        JOIN courses_recall AS recall ON recall.id = message.recall_id
        WHERE recall.kind = 'invitation'
    ));
    RETURN NULL;
END $$;
CREATE TRIGGER courses_reply_stand_added AFTER INSERT ON courses_reply
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_stand_follow_reply();

CREATE FUNCTION recall_stand_follow_plan() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM recall_stand(ARRAY[NEW.course_id]);
    RETURN NULL;
END $$;
CREATE TRIGGER courses_recallplan_stand_changed AFTER UPDATE OF ready_on ON courses_recallplan
FOR EACH ROW WHEN (NEW.ready_on IS DISTINCT FROM OLD.ready_on AND NEW.ready_on IS NOT NULL)
EXECUTE FUNCTION recall_stand_follow_plan();

CREATE FUNCTION recall_stand_follow_pause() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE courses_recallplan AS plan SET paused_until = newest.until
    FROM (
        SELECT DISTINCT ON (pause.course_id) pause.course_id, pause.until
        FROM courses_recallpause AS pause
        WHERE pause.course_id IN (SELECT course_id FROM arrived)
        ORDER BY pause.course_id, pause.id DESC
    ) AS newest
    WHERE plan.course_id = newest.course_id
    AND plan.paused_until IS DISTINCT FROM newest.until;
    RETURN NULL;
END $$;
CREATE TRIGGER courses_recallpause_stand_added AFTER INSERT ON courses_recallpause
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_stand_follow_pause();
"""

UNFOLLOW = """
DROP TRIGGER courses_recallpause_stand_added ON courses_recallpause;
DROP FUNCTION recall_stand_follow_pause();
DROP TRIGGER courses_message_stand_added ON courses_message;
DROP TRIGGER courses_message_stand_changed ON courses_message;
DROP TRIGGER courses_recall_stand_added ON courses_recall;
DROP TRIGGER courses_recall_stand_changed ON courses_recall;
DROP TRIGGER courses_reply_stand_added ON courses_reply;
DROP TRIGGER courses_recallplan_stand_changed ON courses_recallplan;
DROP FUNCTION recall_stand_follow_message();
DROP FUNCTION recall_stand_follow_recall();
DROP FUNCTION recall_stand_follow_reply();
DROP FUNCTION recall_stand_follow_plan();
DROP FUNCTION recall_stand(bigint[]);
"""


class Migration(migrations.Migration):
    dependencies = [
        ("courses", "0016_when_to_look_at_a_plan"),
    ]

    operations = [
        migrations.RunSQL(STAND_OF + FOLLOW, UNFOLLOW),
    ]
