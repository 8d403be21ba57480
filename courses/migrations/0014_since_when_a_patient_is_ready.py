"""Since when a patient is ready, where, and until when booked, kept beside the plan for the front desk's list."""

import django.db.models.deletion
from django.db import migrations, models

# The newest window of skin that was really treated, while the course runs and the patient lives.
READY = """
    UPDATE courses_recallplan AS plan
    SET clinic_id = found.clinic_id, ready_on = found.ready_on, booked_until = found.booked_until
    FROM (
        SELECT course.id, course.clinic_id,
            CASE WHEN course.status = 'active' AND NOT patient.deceased
                AND newest.state = 'closed' THEN newest.earliest_on END AS ready_on,
            (
                SELECT max(visit.ends_at) FROM courses_appointment AS visit
                WHERE visit.course_id = course.id
                AND visit.status IN ('booked', 'arrived', 'checked-in')
            ) AS booked_until
        FROM courses_course AS course
        JOIN courses_patient AS patient ON patient.id = course.patient_id
        LEFT JOIN LATERAL (
            SELECT heals.state, heals.earliest_on
            FROM courses_healingwindow AS heals
            JOIN courses_session AS session ON session.id = heals.session_id
            WHERE heals.course_id = course.id AND session.status <> 'entered-in-error'
            ORDER BY session.started_at DESC, heals.id DESC LIMIT 1
        ) AS newest ON true
        {which}
    ) AS found
    WHERE plan.course_id = found.id
    AND (plan.clinic_id, plan.ready_on, plan.booked_until)
        IS DISTINCT FROM (found.clinic_id, found.ready_on, found.booked_until)
"""

# The first statement locks the rows; the second one then reads what others have committed.
LOOK = f"""
CREATE OR REPLACE FUNCTION recall_look(courses bigint[]) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO courses_recallplan AS plan (course_id, chain_id, policy, look_at)
    SELECT id, chain_id, 0, 'epoch' FROM courses_course WHERE id = ANY (courses) ORDER BY id
    ON CONFLICT (course_id) DO UPDATE SET look_at = 'epoch'
    WHERE plan.look_at IS DISTINCT FROM 'epoch';
    {READY.format(which="WHERE course.id = ANY (courses)")};
END $$;
"""  # noqa: S608 - made of the statements above
LOOK_BEFORE = """
CREATE OR REPLACE FUNCTION recall_look(courses bigint[]) RETURNS void LANGUAGE sql AS $$
    INSERT INTO courses_recallplan AS plan (course_id, chain_id, policy, look_at)
    SELECT id, chain_id, 0, 'epoch' FROM courses_course WHERE id = ANY (courses) ORDER BY id
    ON CONFLICT (course_id) DO UPDATE SET look_at = 'epoch'
    WHERE plan.look_at IS DISTINCT FROM 'epoch';
$$;
"""


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0006_indexes_that_another_begins_with"),
        ("courses", "0013_contact_addresses_encrypted"),
    ]

    operations = [
        migrations.AddField(
            model_name="recallplan",
            name="clinic",
            field=models.ForeignKey(
                db_index=False,
                help_text="That leads the course",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="clinics.clinic",
            ),
        ),
        migrations.AddField(
            model_name="recallplan",
            name="ready_on",
            field=models.DateField(null=True),
        ),
        migrations.AddField(
            model_name="recallplan",
            name="booked_until",
            field=models.DateTimeField(null=True),
        ),
        migrations.RunSQL(LOOK, LOOK_BEFORE),
        migrations.RunSQL(READY.format(which=""), migrations.RunSQL.noop),
        migrations.AddIndex(
            model_name="recallplan",
            index=models.Index(
                condition=models.Q(("ready_on__isnull", False)),
                fields=["chain", "ready_on", "course"],
                include=["booked_until"],
                name="recallplan_ready",
            ),
        ),
        migrations.AddIndex(
            model_name="recallplan",
            index=models.Index(
                condition=models.Q(("ready_on__isnull", False)),
                fields=["clinic", "ready_on", "course"],
                include=["booked_until"],
                name="recallplan_ready_at_clinic",
            ),
        ),
    ]
