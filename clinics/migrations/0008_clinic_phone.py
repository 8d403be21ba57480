"""Where patients call."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("clinics", "0007_sign_ins")]

    operations = [
        migrations.AddField(
            model_name="clinic",
            name="phone",
            field=models.CharField(
                blank=True,
                db_default="",
                default="",
                help_text="E.164; for patients",
                max_length=16,
            ),
        ),
    ]
