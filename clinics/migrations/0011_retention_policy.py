"""How long a chain keeps what it knows of patients."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0010_sign_ins"),
    ]

    operations = [
        migrations.AddField(
            model_name="chain",
            name="retention_policy",
            field=models.JSONField(
                blank=True,
                db_default={},
                default=dict,
                help_text="How long records and traces are kept: values by name",
            ),
        ),
    ]
