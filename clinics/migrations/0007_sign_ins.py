"""Sessions, tokens and failures, and who a sign-in belongs to, asked before its chain is known.

The function runs with the rights of its owner, whom the policies of the tables do not bind.
"""

import django.contrib.postgres.fields
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

SIGNED_IN = """
    CREATE FUNCTION clinics_signed_in(asked bigint, at timestamptz)
    RETURNS TABLE (id bigint, name varchar, chain_id bigint, held json, demanding varchar[])
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp
    AS $$
        SELECT own.id, own.name, own.chain_id, (
            SELECT json_agg(json_build_array(membership.role, membership.clinic_id)
                            ORDER BY membership.id)
            FROM clinics_membership AS membership
            WHERE membership.staff_member_id = own.id AND membership.valid_during @> at
        ), chain.second_factor_roles
        FROM clinics_staffmember AS own JOIN clinics_chain AS chain ON chain.id = own.chain_id
        WHERE own.user_id = asked AND own.active
    $$
"""

# The library's own table stays empty; it must not keep users from being removed.
NOBODYS = """
    DO $do$
    DECLARE
        held name;
    BEGIN
        FOR held IN SELECT conname FROM pg_constraint
                    WHERE conrelid = 'knox_authtoken'::regclass AND contype = 'f' LOOP
            EXECUTE format('ALTER TABLE knox_authtoken DROP CONSTRAINT %I', held);
        END LOOP;
    END $do$
"""


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0006_history"),
        ("knox", "0009_extend_authtoken_field"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="AccessToken",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("token_key", models.CharField(db_index=True, max_length=25)),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="auth_token_set",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("created", models.DateTimeField(auto_now_add=True)),
                ("expiry", models.DateTimeField(blank=True, null=True)),
                ("digest", models.CharField(max_length=128, unique=True)),
                ("machine", models.BooleanField(default=False)),
                ("name", models.CharField(blank=True, max_length=80)),
                (
                    "scopes",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=48),
                        blank=True,
                        default=list,
                        size=None,
                    ),
                ),
                ("second_factor", models.BooleanField(default=False)),
                (
                    "made_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("last_used_on", models.DateField(null=True)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("machine", False), ("scopes", [])),
                            models.Q(
                                ("expiry__isnull", False),
                                ("machine", True),
                                models.Q(("scopes", []), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="accesstoken_of_a_machine_is_bounded",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="SignInSession",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("session_key", models.CharField(max_length=64, unique=True)),
                ("session_data", models.TextField()),
                ("expire_date", models.DateTimeField(db_index=True)),
                (
                    "user",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="sign_in_sessions",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("second_factor", models.BooleanField(default=False)),
                ("began_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("seen_at", models.DateTimeField(default=django.utils.timezone.now)),
            ],
        ),
        migrations.CreateModel(
            name="SignInFailure",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("key", models.CharField(max_length=64, unique=True)),
                ("name_key", models.CharField(db_index=True, max_length=64)),
                ("failures", models.PositiveSmallIntegerField()),
                ("last_at", models.DateTimeField()),
                ("locked_until", models.DateTimeField(null=True)),
            ],
        ),
        migrations.RunSQL(SIGNED_IN, "DROP FUNCTION clinics_signed_in(bigint, timestamptz)"),
        migrations.RunSQL(NOBODYS, migrations.RunSQL.noop),
    ]
