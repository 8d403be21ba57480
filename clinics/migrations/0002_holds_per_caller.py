"""How many slots one caller may keep held."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_initial"),
    ]

    operations = [
        migrations.AddField(
            model_name="chain",
            name="holds_per_caller",
            field=models.PositiveSmallIntegerField(
                default=5, help_text="How many slots one caller may keep held at a time"
            ),
        ),
        migrations.AddConstraint(
            model_name="chain",
            constraint=models.CheckConstraint(
                condition=models.Q(("holds_per_caller__gt", 0)),
                name="chain_holds_per_caller_positive",
            ),
        ),
    ]
