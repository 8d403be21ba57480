"""What is busy when: no resource twice at a time.

PostgreSQL asks `&&` of a row only after the policy of its table (the operator is not marked
leakproof), so that a confined role would read every reservation that a resource ever had. The
functions ask the index with the rights of their owner, and show the rows of the chain that the
transaction names. For a role that no policy binds they show what it sees anyway.
"""

# ruff: noqa: S608 - the names are written below

import django.contrib.postgres.constraints
import django.contrib.postgres.fields.ranges
import django.db.models.deletion
from django.db import migrations, models

import core.vocabulary


def touching(table: str, *, of: str, parent: str) -> str:
    """The two functions of one table; `of` is the column that they are given keys of."""
    found = f"""
        SELECT touched.* FROM {table} AS touched
        WHERE touched.{of} = ANY (keys) AND touched.period && tstzrange(since, until)
    """
    name = f"{table}_touching"
    takes = "(keys bigint[], since timestamptz, until timestamptz)"
    return f"""
        CREATE FUNCTION {name}_of_chain {takes}
        RETURNS SETOF {table} LANGUAGE plpgsql STABLE SECURITY DEFINER ROWS 20
        SET search_path = public, pg_temp AS $$
        BEGIN
            RETURN QUERY {found} AND EXISTS (
                SELECT FROM {parent} AS above
                WHERE above.id = touched.{of}
                AND above.chain_id = NULLIF(current_setting('fallow.chain', true), '')::bigint
            );
        END $$;
        CREATE FUNCTION {name} {takes}
        RETURNS SETOF {table} LANGUAGE plpgsql STABLE ROWS 20 AS $$
        BEGIN
            IF row_security_active('{table}') THEN
                RETURN QUERY SELECT * FROM {name}_of_chain(keys, since, until);
            ELSE
                RETURN QUERY {found};
            END IF;
        END $$;
    """


def without(table: str) -> str:
    """Both functions gone."""
    takes = "(bigint[], timestamptz, timestamptz)"
    return f"""
        DROP FUNCTION {table}_touching {takes};
        DROP FUNCTION {table}_touching_of_chain {takes};
    """


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0003_hours"),
    ]

    operations = [
        migrations.CreateModel(
            name="Reservation",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "resource",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reservations",
                        to="clinics.resource",
                    ),
                ),
                ("period", django.contrib.postgres.fields.ranges.DateTimeRangeField()),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("free", "free"),
                            ("busy", "busy"),
                            ("busy-unavailable", "busy unavailable"),
                            ("busy-tentative", "busy tentative"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=core.vocabulary.ReservationStatus["BUSY"],
                        max_length=20,
                    ),
                ),
                (
                    "reason",
                    models.CharField(
                        choices=[
                            ("appointment", "appointment"),
                            ("hold", "hold"),
                            ("closure", "closure"),
                            ("service", "service"),
                            ("leave", "leave"),
                        ],
                        max_length=16,
                    ),
                ),
                ("source", models.CharField(max_length=64)),
                ("expires_at", models.DateTimeField(null=True)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["source"], name="reservation_source"),
                    models.Index(
                        condition=models.Q(
                            ("status", core.vocabulary.ReservationStatus["BUSY_TENTATIVE"])
                        ),
                        fields=["expires_at"],
                        name="reservation_expiry",
                    ),
                    models.Index(
                        condition=models.Q(
                            ("status", core.vocabulary.ReservationStatus["BUSY_TENTATIVE"])
                        ),
                        fields=["resource", "expires_at"],
                        name="reservation_held",
                    ),
                ],
                "constraints": [
                    django.contrib.postgres.constraints.ExclusionConstraint(
                        expressions=[("resource", "="), ("period", "&&")],
                        name="reservation_no_overlap",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("period__isempty", False),
                            ("period__lower_inf", False),
                            ("period__upper_inf", False),
                        ),
                        name="reservation_period_bounded",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    core.vocabulary.ReservationStatus["BUSY"],
                                    core.vocabulary.ReservationStatus["BUSY_UNAVAILABLE"],
                                    core.vocabulary.ReservationStatus["BUSY_TENTATIVE"],
                                ],
                            )
                        ),
                        name="reservation_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("reason__in", ["appointment", "hold", "closure", "service", "leave"])
                        ),
                        name="reservation_reason_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("expires_at__isnull", False),
                                ("status", core.vocabulary.ReservationStatus["BUSY_TENTATIVE"]),
                            ),
                            models.Q(
                                models.Q(
                                    ("status", core.vocabulary.ReservationStatus["BUSY_TENTATIVE"]),
                                    _negated=True,
                                ),
                                ("expires_at__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="reservation_tentative_expires",
                    ),
                ],
            },
        ),
        migrations.RunSQL(
            touching("clinics_reservation", of="resource_id", parent="clinics_resource"),
            without("clinics_reservation"),
        ),
        migrations.RunSQL(
            touching("clinics_shift", of="clinic_id", parent="clinics_clinic"),
            without("clinics_shift"),
        ),
    ]
