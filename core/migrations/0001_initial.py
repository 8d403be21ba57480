"""Extensions, trigger functions and remembered answers."""

import uuid

from django.contrib.postgres.operations import BtreeGistExtension
from django.db import migrations, models

from core.models import APPEND_ONLY_FUNCTION_SQL
from core.transitions import TRANSITION_FUNCTION_SQL


class Migration(migrations.Migration):
    initial = True

    dependencies = []

    operations = [
        BtreeGistExtension(),
        migrations.RunSQL(
            sql=APPEND_ONLY_FUNCTION_SQL, reverse_sql="DROP FUNCTION refuse_change();"
        ),
        migrations.RunSQL(
            sql=TRANSITION_FUNCTION_SQL, reverse_sql="DROP FUNCTION refuse_status_step();"
        ),
        migrations.CreateModel(
            name="IdempotencyRecord",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=uuid.uuid4, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("caller", models.CharField(help_text="Hash of the credential", max_length=64)),
                ("method", models.CharField(max_length=8)),
                ("path", models.CharField(max_length=300)),
                ("key", models.CharField(max_length=255)),
                (
                    "fingerprint",
                    models.CharField(help_text="SHA-256 of query and body", max_length=64),
                ),
                ("status", models.PositiveSmallIntegerField(null=True)),
                ("headers", models.JSONField(default=dict)),
                ("body", models.BinaryField(default=b"")),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("expires_at", models.DateTimeField()),
            ],
            options={
                "indexes": [models.Index(fields=["expires_at"], name="idempotencyrecord_expiry")],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("caller", "key", "method", "path"),
                        name="idempotencyrecord_key_once",
                    )
                ],
            },
        ),
    ]
