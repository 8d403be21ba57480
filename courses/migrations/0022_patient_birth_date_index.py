"""Patients are looked for by their birth dates too."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("courses", "0021_erasure")]

    operations = [
        AddIndexConcurrently(
            model_name="patient",
            index=models.Index(fields=["chain", "birth_date"], name="patient_birth_date"),
        ),
    ]
