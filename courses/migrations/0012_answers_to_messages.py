"""Reports, replies and pauses; texts of a chain; numbers for watchers."""

import django.db.models.deletion
from django.db import migrations, models

import courses.timing.words
import courses.vocabulary
from core.models import append_only_sql
from core.transitions import drop_trigger_sql, trigger_sql

RECALL_BEFORE = [
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
    "revoked>active",
    "revoked>entered-in-error",
    "revoked>on-hold",
]
RECALL_AFTER = sorted([*RECALL_BEFORE, "completed>active"])
MESSAGE_BEFORE = [
    "completed>entered-in-error",
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
MESSAGE_AFTER = sorted([*MESSAGE_BEFORE, "completed>stopped"])
POINT_BEFORE = ("channel", "rank", "allowed", "opted_out", "quiet_from", "quiet_until", "time_zone")
POINT_AFTER = (*POINT_BEFORE, "state")

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

PAUSE_FOLLOW = """
CREATE FUNCTION recall_follow_recallpause() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM recall_look(ARRAY(SELECT DISTINCT course_id FROM arrived));
    RETURN NULL;
END $$;
CREATE TRIGGER courses_recallpause_recall_added AFTER INSERT ON courses_recallpause
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT
EXECUTE FUNCTION recall_follow_recallpause();
"""


def point_follow_sql(columns):
    changed = " OR ".join(f"earlier.{one} IS DISTINCT FROM later.{one}" for one in columns)
    theirs = "JOIN courses_course AS theirs ON theirs.patient_id = later.patient_id"
    return f"""
CREATE OR REPLACE FUNCTION recall_follow_contactpoint() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    touched bigint[];
BEGIN
    IF TG_OP = 'INSERT' THEN
        touched := ARRAY(SELECT DISTINCT theirs.id FROM arrived AS later {theirs});
    ELSE
        touched := ARRAY(SELECT DISTINCT theirs.id FROM arrived AS later {theirs}
            JOIN gone AS earlier ON earlier.id = later.id WHERE {changed});
    END IF;
    IF cardinality(touched) > 0 THEN
        PERFORM recall_look(touched);
    END IF;
    RETURN NULL;
END $$;
"""  # noqa: S608 - made of the names above


def steps_sql(*, recall, message):
    return "".join(
        drop_trigger_sql(table=table) + trigger_sql(table=table, steps=steps)
        for table, steps in (("courses_recall", recall), ("courses_message", message))
    )


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0007_periods_found_by_index_inside_the_wall"),
        ("courses", "0011_recall_cadence_and_consents"),
    ]

    operations = [
        migrations.CreateModel(
            name="DeliveryReport",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("provider_id", models.CharField(max_length=200, unique=True)),
                (
                    "outcome",
                    models.CharField(
                        choices=[
                            ("delivered", "delivered"),
                            ("failed", "failed"),
                            ("bounced", "bounced"),
                            ("refused", "refused"),
                        ],
                        max_length=12,
                    ),
                ),
                ("reason", models.CharField(blank=True, max_length=60)),
                ("happened_at", models.DateTimeField(help_text="As the provider told it")),
                ("received_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="MessageTemplate",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "name",
                    models.CharField(
                        help_text="Which text, as a step of a cadence names it", max_length=40
                    ),
                ),
                ("language", models.CharField(max_length=8)),
                ("number", models.PositiveIntegerField()),
                ("subject", models.CharField(blank=True, max_length=200)),
                ("body", models.TextField(blank=True)),
                ("short", models.TextField(blank=True, help_text="The same for a text message")),
                ("withdrawn", models.BooleanField(default=False)),
                ("set_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="RecallPause",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("until", models.DateField(help_text="Invitations are counted from this day")),
                ("reason", models.CharField(blank=True, max_length=200)),
                ("set_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="Reply",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[("book", "book"), ("later", "later"), ("stop", "stop")],
                        max_length=8,
                    ),
                ),
                ("until", models.DateField(help_text="Ask again from this day", null=True)),
                ("replied_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.AddField(
            model_name="contactpoint",
            name="off_at",
            field=models.DateTimeField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="contactpoint",
            name="off_reason",
            field=models.CharField(blank=True, editable=False, max_length=60),
        ),
        migrations.AddField(
            model_name="contactpoint",
            name="state",
            field=models.CharField(
                choices=[("working", "working"), ("off", "off")],
                default=courses.timing.words.ContactState["WORKING"],
                editable=False,
                max_length=8,
            ),
        ),
        migrations.AddField(
            model_name="message",
            name="delivered_at",
            field=models.DateTimeField(
                blank=True, help_text="When the provider said that it arrived", null=True
            ),
        ),
        migrations.AddIndex(
            model_name="message",
            index=models.Index(
                condition=models.Q(("sent_at__isnull", False)),
                fields=["sent_at"],
                name="message_sent",
            ),
        ),
        migrations.AddIndex(
            model_name="message",
            index=models.Index(
                condition=models.Q(("status", courses.vocabulary.MessageStatus["STOPPED"])),
                fields=["updated_at"],
                name="message_failed",
            ),
        ),
        migrations.AddConstraint(
            model_name="contactpoint",
            constraint=models.CheckConstraint(
                condition=models.Q(("state__in", ["working", "off"])),
                name="contactpoint_state_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="contactpoint",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("off_at__isnull", True),
                        ("off_reason", ""),
                        ("state", courses.timing.words.ContactState["WORKING"]),
                    ),
                    models.Q(
                        ("off_at__isnull", False),
                        ("state", courses.timing.words.ContactState["OFF"]),
                        models.Q(("off_reason", ""), _negated=True),
                    ),
                    _connector="OR",
                ),
                name="contactpoint_off_says_why",
            ),
        ),
        migrations.AddField(
            model_name="deliveryreport",
            name="message",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="delivery_reports",
                to="courses.message",
            ),
        ),
        migrations.AddField(
            model_name="messagetemplate",
            name="chain",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="message_templates",
                to="clinics.chain",
            ),
        ),
        migrations.AddField(
            model_name="messagetemplate",
            name="set_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="recallpause",
            name="course",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="recall_pauses",
                to="courses.course",
            ),
        ),
        migrations.AddField(
            model_name="recallpause",
            name="set_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="reply",
            name="appointment",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="courses.appointment",
            ),
        ),
        migrations.AddField(
            model_name="reply",
            name="message",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="replies",
                to="courses.message",
            ),
        ),
        migrations.AddConstraint(
            model_name="deliveryreport",
            constraint=models.CheckConstraint(
                condition=models.Q(("outcome__in", ["delivered", "failed", "bounced", "refused"])),
                name="deliveryreport_outcome_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="deliveryreport",
            constraint=models.CheckConstraint(
                condition=models.Q(("provider_id", ""), _negated=True), name="deliveryreport_has_id"
            ),
        ),
        migrations.AddConstraint(
            model_name="messagetemplate",
            constraint=models.UniqueConstraint(
                fields=("chain", "name", "language", "number"), name="messagetemplate_number_once"
            ),
        ),
        migrations.AddConstraint(
            model_name="messagetemplate",
            constraint=models.CheckConstraint(
                condition=models.Q(("number__gt", 0)), name="messagetemplate_number_positive"
            ),
        ),
        migrations.AddConstraint(
            model_name="messagetemplate",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("withdrawn", True),
                    models.Q(
                        ("subject", ""), ("body", ""), ("short", ""), _connector="OR", _negated=True
                    ),
                    _connector="OR",
                ),
                name="messagetemplate_has_words",
            ),
        ),
        migrations.AddIndex(
            model_name="recallpause",
            index=models.Index(fields=["course", "-id"], name="recallpause_newest"),
        ),
        migrations.AddConstraint(
            model_name="reply",
            constraint=models.UniqueConstraint(
                fields=("message", "kind"), name="reply_once_for_each_kind"
            ),
        ),
        migrations.AddConstraint(
            model_name="reply",
            constraint=models.CheckConstraint(
                condition=models.Q(("kind__in", ["book", "later", "stop"])), name="reply_kind_known"
            ),
        ),
        migrations.AddConstraint(
            model_name="reply",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", courses.timing.words.ReplyKind["BOOK"]), _negated=True),
                    ("appointment__isnull", False),
                    _connector="OR",
                ),
                name="reply_booked_something",
            ),
        ),
        *(
            append_only_sql(table)
            for table in (
                "courses_messagetemplate",
                "courses_deliveryreport",
                "courses_reply",
                "courses_recallpause",
            )
        ),
        migrations.RunSQL(MESSAGE_CHAIN, "DROP FUNCTION courses_message_chain(bigint)"),
        migrations.RunSQL(GAUGES, "DROP FUNCTION courses_message_gauges(timestamptz)"),
        migrations.RunSQL(
            PAUSE_FOLLOW,
            "DROP TRIGGER courses_recallpause_recall_added ON courses_recallpause;"
            "DROP FUNCTION recall_follow_recallpause();",
        ),
        migrations.RunSQL(point_follow_sql(POINT_AFTER), point_follow_sql(POINT_BEFORE)),
        migrations.RunSQL(
            sql=steps_sql(recall=RECALL_AFTER, message=MESSAGE_AFTER),
            reverse_sql=steps_sql(recall=RECALL_BEFORE, message=MESSAGE_BEFORE),
        ),
    ]
