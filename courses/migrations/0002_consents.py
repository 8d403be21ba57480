"""A ledger of what patients agreed to; what counts now stands at the contact point."""

import django.db.models.deletion
from django.db import migrations, models

import core.encryption
from core.models import append_only_sql

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


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0001_patients"),
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
                    "contact_point",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="consents",
                        to="courses.contactpoint",
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
                (
                    "address",
                    core.encryption.EncryptedTextField(
                        db_column="address_sealed", db_default="", default="", max_length=254
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("recorded_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(
                        fields=["contact_point", "purpose", "-decided_at", "-id"],
                        name="consent_newest",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("purpose__in", ["recall", "reminder", "aftercare"])),
                        name="consent_purpose_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("decision__in", ["given", "withdrawn"])),
                        name="consent_decision_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("source", ""), _negated=True), name="consent_has_source"
                    ),
                ],
            },
        ),
        append_only_sql("courses_consent"),
        migrations.RunSQL(
            sql=CONSENT_FOLLOW,
            reverse_sql=(
                "DROP TRIGGER courses_consent_follow ON courses_consent;"
                "DROP FUNCTION consent_follow();"
            ),
        ),
    ]
