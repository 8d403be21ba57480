"""The pulse ledger only grows, whoever asks."""

from django.db import migrations

from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [("devices", "0001_initial")]

    operations = [append_only_sql("devices_pulseentry")]
