"""A patient is ready when all skin of the course is, whichever course treated it last."""

from django.db import migrations

# As the outlook has it: the newest window of each tattoo, also of earlier courses; all are closed.
READY = """
    UPDATE courses_recallplan AS plan
    SET clinic_id = found.clinic_id, ready_on = found.ready_on, booked_until = found.booked_until
    FROM (
        SELECT course.id, course.clinic_id,
            CASE WHEN course.status = 'active' AND NOT patient.deceased THEN skin.ready_on END
                AS ready_on,
            (
                SELECT max(visit.ends_at) FROM courses_appointment AS visit
                WHERE visit.course_id = course.id
                AND visit.status IN ('booked', 'arrived', 'checked-in')
            ) AS booked_until
        FROM courses_course AS course
        JOIN courses_patient AS patient ON patient.id = course.patient_id
        CROSS JOIN LATERAL (
            SELECT CASE WHEN bool_and(newest.state = 'closed') THEN max(newest.earliest_on) END
                AS ready_on
            FROM courses_course_tattoos AS own CROSS JOIN LATERAL (
                SELECT heals.state, heals.earliest_on
                FROM courses_tattoopart AS part
                JOIN courses_treatmentpass_parts AS treated ON treated.tattoopart_id = part.id
                JOIN courses_treatmentpass AS pass ON pass.id = treated.treatmentpass_id
                JOIN courses_session AS session ON session.id = pass.session_id
                JOIN courses_healingwindow AS heals ON heals.session_id = session.id
                WHERE part.tattoo_id = own.tattoo_id AND session.status <> 'entered-in-error'
                ORDER BY session.started_at DESC, heals.id DESC LIMIT 1
            ) AS newest
            WHERE own.course_id = course.id
        ) AS skin
        {which}
    ) AS found
    WHERE plan.course_id = found.id
    AND (plan.clinic_id, plan.ready_on, plan.booked_until)
        IS DISTINCT FROM (found.clinic_id, found.ready_on, found.booked_until)
"""

LOOK = f"""
CREATE OR REPLACE FUNCTION recall_look(courses bigint[]) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO courses_recallplan AS plan (course_id, chain_id, policy, look_at)
    SELECT id, chain_id, 0, 'epoch' FROM courses_course WHERE id = ANY (courses) ORDER BY id
    ON CONFLICT (course_id) DO UPDATE SET look_at = 'epoch'
    WHERE plan.look_at IS DISTINCT FROM 'epoch';
    {READY.format(which="WHERE course.id = ANY (courses)")};
END $$;
"""  # noqa: S608 - made of the statement above


class Migration(migrations.Migration):
    dependencies = [("courses", "0017_recalls_of_each_course_of_the_same_skin")]

    # Backwards the function stays: what it keeps is right for the code of before, too.
    operations = [
        migrations.RunSQL(LOOK, migrations.RunSQL.noop),
        migrations.RunSQL(READY.format(which=""), migrations.RunSQL.noop),
    ]
