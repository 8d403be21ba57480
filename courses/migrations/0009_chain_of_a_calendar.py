"""To which chain a calendar's secret address belongs, asked before any chain is known."""

from django.db import migrations

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
    dependencies = [("courses", "0008_replans")]

    operations = [
        migrations.RunSQL(MAKE, "DROP FUNCTION courses_feed_chain(text)"),
    ]
