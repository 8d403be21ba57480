"""Cadences as chain policy, plans with a time to look again, and a ledger of consents."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

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
    "revoked>entered-in-error",
]
RECALL_AFTER = sorted([*RECALL_BEFORE, "revoked>active", "revoked>on-hold"])
MESSAGE_BEFORE = [
    "completed>entered-in-error",
    "in-progress>completed",
    "in-progress>entered-in-error",
    "in-progress>not-done",
    "in-progress>on-hold",
    "in-progress>preparation",
    "in-progress>stopped",
    "not-done>entered-in-error",
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
MESSAGE_AFTER = sorted([*MESSAGE_BEFORE, "not-done>preparation"])

# The newest decision for each purpose counts. The version grows: the row is another one.
CONSENT_FOLLOW = """
CREATE FUNCTION consent_follow() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE courses_contactpoint AS point
    SET allowed = counted.allowed, opted_out = counted.opted_out,
        version = point.version + 1, updated_at = statement_timestamp()
    FROM (
        SELECT newest.contact_point_id,
            coalesce(array_agg(newest.purpose ORDER BY newest.purpose)
                FILTER (WHERE newest.decision = 'given'), '{}') AS allowed,
            coalesce(array_agg(newest.purpose ORDER BY newest.purpose)
                FILTER (WHERE newest.decision = 'withdrawn'), '{}') AS opted_out
        FROM (
            SELECT DISTINCT ON (contact_point_id, purpose) contact_point_id, purpose, decision
            FROM courses_consent
            WHERE contact_point_id IN (SELECT contact_point_id FROM arrived)
            ORDER BY contact_point_id, purpose, decided_at DESC, id DESC
        ) AS newest GROUP BY newest.contact_point_id
    ) AS counted
    WHERE point.id = counted.contact_point_id
      AND (point.allowed, point.opted_out)
          IS DISTINCT FROM (counted.allowed::varchar[], counted.opted_out::varchar[]);
    RETURN NULL;
END $$;
CREATE TRIGGER courses_consent_follow AFTER INSERT ON courses_consent
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT EXECUTE FUNCTION consent_follow();
"""

# The epoch means at once. Rows are taken in order of their keys, like everywhere.
LOOK = """
CREATE FUNCTION recall_look(courses bigint[]) RETURNS void LANGUAGE sql AS $$
    INSERT INTO courses_recallplan AS plan (course_id, chain_id, policy, look_at)
    SELECT id, chain_id, 0, 'epoch' FROM courses_course WHERE id = ANY (courses) ORDER BY id
    ON CONFLICT (course_id) DO UPDATE SET look_at = 'epoch'
    WHERE plan.look_at IS DISTINCT FROM 'epoch';
$$;
"""

# For each table: whose courses its rows belong to, and which columns a plan depends on.
OF_COURSE = "SELECT {row}.course_id FROM {table} AS {row}"
OF_PATIENT_OF_COURSE = (
    "SELECT theirs.id FROM {table} AS {row} JOIN courses_course AS own ON own.id = {row}.course_id "
    "JOIN courses_course AS theirs ON theirs.patient_id = own.patient_id"
)
OF_PATIENT = (
    "SELECT theirs.id FROM {table} AS {row} "
    "JOIN courses_course AS theirs ON theirs.patient_id = {row}.patient_id"
)
WATCHED = {
    "courses_course": ("SELECT {row}.id FROM {table} AS {row}", ("status", "clinic_id")),
    "courses_patient": (
        (
            "SELECT theirs.id FROM {table} AS {row} "
            "JOIN courses_course AS theirs ON theirs.patient_id = {row}.id"
        ),
        ("deceased", "gold_therapy_ever", "home_clinic_id"),
    ),
    "courses_contactpoint": (
        OF_PATIENT,
        ("channel", "rank", "allowed", "opted_out", "quiet_from", "quiet_until", "time_zone"),
    ),
    "courses_healingwindow": (OF_PATIENT_OF_COURSE, ("state", "earliest_on")),
    "courses_session": (OF_PATIENT_OF_COURSE, ("status", "ended_at", "clinic_id")),
    "courses_appointment": (OF_COURSE, ("status", "starts_at", "ends_at", "clinic_id")),
}


def follow_sql(table, whose, columns):
    name = table.removeprefix("courses_")
    added = whose.format(row="later", table="arrived")
    changed = " OR ".join(f"earlier.{one} IS DISTINCT FROM later.{one}" for one in columns)
    return f"""
CREATE FUNCTION recall_follow_{name}() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    touched bigint[];
BEGIN
    IF TG_OP = 'INSERT' THEN
        touched := ARRAY(SELECT DISTINCT id FROM ({added}) AS whose (id));
    ELSE
        touched := ARRAY(SELECT DISTINCT id FROM ({added}
            JOIN gone AS earlier ON earlier.id = later.id WHERE {changed}) AS whose (id));
    END IF;
    IF cardinality(touched) > 0 THEN
        PERFORM recall_look(touched);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER {table}_recall_added AFTER INSERT ON {table}
REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT EXECUTE FUNCTION recall_follow_{name}();
CREATE TRIGGER {table}_recall_changed AFTER UPDATE ON {table}
REFERENCING OLD TABLE AS gone NEW TABLE AS arrived
FOR EACH STATEMENT EXECUTE FUNCTION recall_follow_{name}();
"""  # noqa: S608 - made of the names above


def unfollow_sql(table):
    name = table.removeprefix("courses_")
    return (
        f"DROP TRIGGER {table}_recall_added ON {table};"
        f"DROP TRIGGER {table}_recall_changed ON {table};"
        f"DROP FUNCTION recall_follow_{name}();"
    )


# A tattoo joins or leaves a course: other windows count.
TATTOOS = """
CREATE FUNCTION recall_follow_tattoos() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM recall_look(ARRAY[CASE TG_OP WHEN 'DELETE' THEN OLD.course_id ELSE NEW.course_id END]);
    RETURN NULL;
END $$;
CREATE TRIGGER courses_course_tattoos_recall AFTER INSERT OR DELETE ON courses_course_tattoos
FOR EACH ROW EXECUTE FUNCTION recall_follow_tattoos();
"""

CONSENTS = """
INSERT INTO courses_consent (contact_point_id, purpose, decision, decided_at, source, address,
    recorded_at)
SELECT point.id, purpose.code, 'given', point.consent_at, point.consent_source, point.address,
    point.updated_at
FROM courses_contactpoint AS point
CROSS JOIN (VALUES ('aftercare'), ('recall'), ('reminder')) AS purpose (code)
WHERE point.consent_at IS NOT NULL;
INSERT INTO courses_consent (contact_point_id, purpose, decision, decided_at, source, address,
    recorded_at)
SELECT point.id, purpose.code, 'withdrawn', point.opted_out_at, 'recorded as an opt-out',
    point.address, point.updated_at
FROM courses_contactpoint AS point
CROSS JOIN (VALUES ('aftercare'), ('recall'), ('reminder')) AS purpose (code)
WHERE point.opted_out_at IS NOT NULL;
"""

# What was told under the keys of before is not told again.
OCCASIONS = """
UPDATE courses_recall SET template = CASE kind
    WHEN 'reminder' THEN 'reminder' WHEN 'change' THEN 'moved' ELSE 'invitation' END;
UPDATE courses_recall AS recall SET occasion = 'window:' || heals.id || ':' || heals.earliest_on
FROM courses_healingwindow AS heals
WHERE heals.id = recall.window_id AND heals.earliest_on IS NOT NULL
  AND recall.id IN (
    SELECT max(id) FROM courses_recall
    WHERE kind = 'invitation' AND step = 'window-closed' GROUP BY window_id
);
INSERT INTO courses_recallplan (course_id, chain_id, policy, look_at)
SELECT id, chain_id, 0, 'epoch' FROM courses_course;
"""


def steps_sql(*, recall, message):
    return "".join(
        drop_trigger_sql(table=table) + trigger_sql(table=table, steps=steps)
        for table, steps in (("courses_recall", recall), ("courses_message", message))
    )


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0006_indexes_that_another_begins_with"),
        ("courses", "0010_indexes_that_another_begins_with"),
    ]

    operations = [
        migrations.CreateModel(
            name="Consent",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "purpose",
                    models.CharField(
                        choices=[
                            ("recall", "recall"),
                            ("reminder", "reminder"),
                            ("aftercare", "aftercare"),
                        ],
                        max_length=12,
                    ),
                ),
                (
                    "decision",
                    models.CharField(
                        choices=[("given", "given"), ("withdrawn", "withdrawn")], max_length=12
                    ),
                ),
                ("decided_at", models.DateTimeField(help_text="When the patient said so")),
                ("source", models.CharField(help_text="How the patient said so", max_length=120)),
                ("address", models.CharField(max_length=254)),
                ("recorded_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="RecallPlan",
            fields=[
                (
                    "course",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="recall_plan",
                        serialize=False,
                        to="courses.course",
                    ),
                ),
                ("policy", models.PositiveIntegerField(default=0)),
                ("look_at", models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name="RecallPolicy",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("number", models.PositiveIntegerField()),
                ("document", models.JSONField(help_text="As `courses.timing.documents` reads it")),
                (
                    "note",
                    models.CharField(blank=True, help_text="Why it was changed", max_length=200),
                ),
                ("set_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["chain", "-number"],
            },
        ),
        migrations.RemoveConstraint(
            model_name="contactpoint",
            name="contactpoint_consent_has_source",
        ),
        migrations.RemoveConstraint(
            model_name="recall",
            name="recall_speaks_of_something",
        ),
        migrations.RemoveConstraint(
            model_name="recall",
            name="recall_kind_known",
        ),
        migrations.AddField(
            model_name="contactpoint",
            name="allowed",
            field=django.contrib.postgres.fields.ArrayField(
                base_field=models.CharField(max_length=12),
                default=list,
                editable=False,
                help_text="Purposes that the patient agreed to and did not opt out of",
                size=None,
            ),
        ),
        migrations.AddField(
            model_name="contactpoint",
            name="opted_out",
            field=django.contrib.postgres.fields.ArrayField(
                base_field=models.CharField(max_length=12),
                default=list,
                editable=False,
                help_text="Purposes that the patient opted out of",
                size=None,
            ),
        ),
        migrations.AddField(
            model_name="recall",
            name="cadence",
            field=models.PositiveIntegerField(
                default=0, help_text="Number of the recall policy that planned it; 0 is the default"
            ),
        ),
        migrations.AddField(
            model_name="recall",
            name="session",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="recalls",
                to="courses.session",
            ),
        ),
        migrations.AddField(
            model_name="recall",
            name="template",
            field=models.CharField(default="", help_text="Which text is sent", max_length=40),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="recall",
            name="withdrawn_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AlterField(
            model_name="recall",
            name="kind",
            field=models.CharField(
                choices=[
                    ("invitation", "invitation"),
                    ("reminder", "reminder"),
                    ("change", "change"),
                    ("aftercare", "aftercare"),
                ],
                max_length=12,
            ),
        ),
        migrations.AlterField(
            model_name="recall",
            name="step",
            field=models.CharField(
                help_text="Step of the cadence, or topic of a notice", max_length=40
            ),
        ),
        migrations.AddConstraint(
            model_name="message",
            constraint=models.UniqueConstraint(
                condition=models.Q(
                    ("status__in", ("preparation", "in-progress", "on-hold", "completed"))
                ),
                fields=("recall",),
                name="message_one_effect_per_recall",
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", "invitation"), ("window__isnull", False)),
                    models.Q(("appointment__isnull", False), ("kind__in", ["reminder", "change"])),
                    models.Q(("kind", "aftercare"), ("session__isnull", False)),
                    _connector="OR",
                ),
                name="recall_speaks_of_something",
            ),
        ),
        migrations.AddConstraint(
            model_name="recall",
            constraint=models.CheckConstraint(
                condition=models.Q(("kind__in", ["invitation", "reminder", "change", "aftercare"])),
                name="recall_kind_known",
            ),
        ),
        migrations.AddField(
            model_name="consent",
            name="contact_point",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="consents",
                to="courses.contactpoint",
            ),
        ),
        migrations.AddField(
            model_name="consent",
            name="recorded_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddField(
            model_name="recallplan",
            name="chain",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.chain",
            ),
        ),
        migrations.AddField(
            model_name="recallpolicy",
            name="chain",
            field=models.ForeignKey(
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="recall_policies",
                to="clinics.chain",
            ),
        ),
        migrations.AddField(
            model_name="recallpolicy",
            name="set_by",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.staffmember",
            ),
        ),
        migrations.AddIndex(
            model_name="consent",
            index=models.Index(
                fields=["contact_point", "purpose", "-decided_at", "-id"], name="consent_newest"
            ),
        ),
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(("purpose__in", ["recall", "reminder", "aftercare"])),
                name="consent_purpose_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(("decision__in", ["given", "withdrawn"])),
                name="consent_decision_known",
            ),
        ),
        migrations.AddConstraint(
            model_name="consent",
            constraint=models.CheckConstraint(
                condition=models.Q(("source", ""), _negated=True), name="consent_has_source"
            ),
        ),
        migrations.AddIndex(
            model_name="recallplan",
            index=models.Index(
                condition=models.Q(("look_at__isnull", False)),
                fields=["look_at", "course"],
                name="recallplan_due",
            ),
        ),
        migrations.AddIndex(
            model_name="recallplan",
            index=models.Index(
                condition=models.Q(("look_at__isnull", False)),
                fields=["chain", "policy", "course"],
                name="recallplan_policy",
            ),
        ),
        migrations.AddConstraint(
            model_name="recallpolicy",
            constraint=models.UniqueConstraint(
                fields=("chain", "number"), name="recallpolicy_number_once_per_chain"
            ),
        ),
        migrations.AddConstraint(
            model_name="recallpolicy",
            constraint=models.CheckConstraint(
                condition=models.Q(("number__gt", 0)), name="recallpolicy_number_positive"
            ),
        ),
        append_only_sql("courses_consent"),
        append_only_sql("courses_recallpolicy"),
        migrations.RunSQL(
            sql=CONSENT_FOLLOW,
            reverse_sql=(
                "DROP TRIGGER courses_consent_follow ON courses_consent;"
                "DROP FUNCTION consent_follow();"
            ),
        ),
        migrations.RunSQL(sql=CONSENTS, reverse_sql=migrations.RunSQL.noop),
        migrations.RunSQL(sql=OCCASIONS, reverse_sql=migrations.RunSQL.noop),
        # Constraints that wait for the end of the transaction stand in the way of ALTER TABLE.
        migrations.RunSQL(sql="SET CONSTRAINTS ALL IMMEDIATE", reverse_sql=migrations.RunSQL.noop),
        migrations.RemoveField(
            model_name="contactpoint",
            name="consent_at",
        ),
        migrations.RemoveField(
            model_name="contactpoint",
            name="consent_source",
        ),
        migrations.RemoveField(
            model_name="contactpoint",
            name="opted_out_at",
        ),
        migrations.RunSQL(sql=LOOK, reverse_sql="DROP FUNCTION recall_look(bigint[]);"),
        *(
            migrations.RunSQL(
                sql=follow_sql(table, whose, columns), reverse_sql=unfollow_sql(table)
            )
            for table, (whose, columns) in WATCHED.items()
        ),
        migrations.RunSQL(
            sql=TATTOOS,
            reverse_sql=(
                "DROP TRIGGER courses_course_tattoos_recall ON courses_course_tattoos;"
                "DROP FUNCTION recall_follow_tattoos();"
            ),
        ),
        migrations.RunSQL(
            sql=steps_sql(recall=RECALL_AFTER, message=MESSAGE_AFTER),
            reverse_sql=steps_sql(recall=RECALL_BEFORE, message=MESSAGE_BEFORE),
        ),
    ]
