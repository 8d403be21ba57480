"""Changes and reads may go when the chain's policy keeps them no longer."""

from django.db import migrations

AGAIN = """
    DROP TRIGGER {table}_only_grows ON {table};
    CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE ON {table}
        FOR EACH ROW EXECUTE FUNCTION refuse_change({argument});
"""


class Migration(migrations.Migration):
    dependencies = [
        ("core", "0003_what_is_forgotten_by_policy"),
        ("clinics", "0011_retention_policy"),
    ]

    operations = [
        migrations.RunSQL(
            AGAIN.format(table=table, argument="'forgotten'"),
            AGAIN.format(table=table, argument=""),
        )
        for table in ("clinics_change", "clinics_recordread")
    ]
