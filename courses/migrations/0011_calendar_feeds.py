"""Calendars to subscribe to, and whose chain each is of, asked before it is known."""

import django.db.models.deletion
from django.db import migrations, models

MAKE = """
    CREATE FUNCTION courses_feed_chain(digest text) RETURNS bigint
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp
    AS $$
        SELECT resource.chain_id
        FROM courses_calendarfeed AS feed
        JOIN clinics_resource AS resource ON resource.id = feed.resource_id
        WHERE feed.token_digest = digest
    $$
"""


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0010_waiting_list_and_gaps"),
    ]

    operations = [
        migrations.CreateModel(
            name="CalendarFeed",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("updated_at", models.DateTimeField(auto_now=True)),
                (
                    "resource",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="calendar_feeds",
                        to="clinics.resource",
                    ),
                ),
                ("token_digest", models.CharField(max_length=64, unique=True)),
                (
                    "made_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("revoked_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["id"],
                "indexes": [models.Index(fields=["resource"], name="calendarfeed_resource")],
            },
        ),
        migrations.RunSQL(MAKE, "DROP FUNCTION courses_feed_chain(text)"),
    ]
