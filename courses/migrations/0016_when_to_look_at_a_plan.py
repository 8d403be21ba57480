"""Whatever a plan of recalls depends on asks for a look at it, whoever changes it."""

from django.db import migrations

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
        (
            "channel",
            "rank",
            "allowed",
            "opted_out",
            "quiet_from",
            "quiet_until",
            "time_zone",
            "state",
        ),
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
        WHERE course.id = ANY (courses)
    ) AS found
    WHERE plan.course_id = found.id
    AND (plan.clinic_id, plan.ready_on, plan.booked_until)
        IS DISTINCT FROM (found.clinic_id, found.ready_on, found.booked_until)
"""

# The epoch means at once. Rows are taken in order of their keys, like everywhere.
LOOK = f"""
CREATE FUNCTION recall_look(courses bigint[]) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO courses_recallplan AS plan (course_id, chain_id, policy, look_at)
    SELECT id, chain_id, 0, 'epoch' FROM courses_course WHERE id = ANY (courses) ORDER BY id
    ON CONFLICT (course_id) DO UPDATE SET look_at = 'epoch'
    WHERE plan.look_at IS DISTINCT FROM 'epoch';
    {READY};
END $$;
"""  # noqa: S608 - made of the statement above


class Migration(migrations.Migration):
    dependencies = [
        ("courses", "0015_answers"),
    ]

    operations = [
        migrations.RunSQL(LOOK, "DROP FUNCTION recall_look(bigint[])"),
        *(
            migrations.RunSQL(
                sql=follow_sql(table, whose, columns), reverse_sql=unfollow_sql(table)
            )
            for table, (whose, columns) in WATCHED.items()
        ),
        migrations.RunSQL(
            TATTOOS,
            "DROP TRIGGER courses_course_tattoos_recall ON courses_course_tattoos;"
            "DROP FUNCTION recall_follow_tattoos();",
        ),
        migrations.RunSQL(
            PAUSE_FOLLOW,
            "DROP TRIGGER courses_recallpause_recall_added ON courses_recallpause;"
            "DROP FUNCTION recall_follow_recallpause();",
        ),
    ]
