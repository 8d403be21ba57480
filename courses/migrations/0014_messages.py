"""Messages on their way to patients."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary
from core.transitions import drop_trigger_sql, trigger_sql

# Written out: a later change of the table of steps comes with its own migration.
STEPS = {
    "courses_message": [
        "completed>entered-in-error",
        "completed>stopped",
        "in-progress>completed",
        "in-progress>entered-in-error",
        "in-progress>not-done",
        "in-progress>on-hold",
        "in-progress>preparation",
        "in-progress>stopped",
        "not-done>entered-in-error",
        "not-done>preparation",
        "on-hold>completed",
        "on-hold>entered-in-error",
        "on-hold>not-done",
        "on-hold>preparation",
        "on-hold>stopped",
        "preparation>completed",
        "preparation>entered-in-error",
        "preparation>in-progress",
        "preparation>not-done",
        "preparation>on-hold",
        "preparation>stopped",
        "stopped>completed",
        "stopped>entered-in-error",
        "stopped>preparation",
    ],
}


class Migration(migrations.Migration):
    dependencies = [
        ("courses", "0013_recalls"),
    ]

    operations = [
        migrations.CreateModel(
            name="Message",
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
                    "recall",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="messages",
                        to="courses.recall",
                    ),
                ),
                (
                    "contact_point",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="messages",
                        to="courses.contactpoint",
                    ),
                ),
                (
                    "channel",
                    models.CharField(
                        choices=[("email", "email"), ("sms", "sms"), ("phone", "phone")],
                        max_length=8,
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("preparation", "preparation"),
                            ("in-progress", "in progress"),
                            ("not-done", "not done"),
                            ("on-hold", "on hold"),
                            ("stopped", "stopped"),
                            ("completed", "completed"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=courses.vocabulary.MessageStatus["PREPARATION"],
                        max_length=20,
                    ),
                ),
                ("status_reason", models.CharField(blank=True, max_length=200)),
                ("due_at", models.DateTimeField()),
                ("attempt", models.PositiveSmallIntegerField(default=0)),
                (
                    "may_have_left",
                    models.BooleanField(
                        db_default=False,
                        default=False,
                        help_text="An attempt ended without a word, and nobody has told what became of it",
                    ),
                ),
                ("lease_until", models.DateTimeField(blank=True, null=True)),
                ("sent_at", models.DateTimeField(blank=True, null=True)),
                (
                    "delivered_at",
                    models.DateTimeField(
                        blank=True, help_text="When the provider said that it arrived", null=True
                    ),
                ),
                ("provider_reference", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["due_at", "id"],
                "indexes": [
                    models.Index(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    courses.vocabulary.MessageStatus["PREPARATION"],
                                    courses.vocabulary.MessageStatus["IN_PROGRESS"],
                                ],
                            )
                        ),
                        fields=["due_at", "id"],
                        name="message_to_send",
                    ),
                    models.Index(
                        condition=models.Q(("status", courses.vocabulary.MessageStatus["ON_HOLD"])),
                        fields=["due_at", "id"],
                        name="message_call_open",
                    ),
                    models.Index(
                        condition=models.Q(
                            ("status", courses.vocabulary.MessageStatus["COMPLETED"])
                        ),
                        fields=["sent_at"],
                        name="message_sent",
                    ),
                    models.Index(
                        condition=models.Q(("status", courses.vocabulary.MessageStatus["STOPPED"])),
                        fields=["updated_at"],
                        name="message_failed",
                    ),
                    models.Index(fields=["due_at", "id"], name="message_due"),
                    models.Index(
                        condition=models.Q(("status", courses.vocabulary.MessageStatus["STOPPED"])),
                        fields=["due_at", "id"],
                        name="message_stopped",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("recall", "contact_point"),
                        name="message_once_per_recall_and_contact",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                (
                                    courses.vocabulary.MessageStatus["PREPARATION"],
                                    courses.vocabulary.MessageStatus["IN_PROGRESS"],
                                    courses.vocabulary.MessageStatus["ON_HOLD"],
                                    courses.vocabulary.MessageStatus["COMPLETED"],
                                ),
                            )
                        ),
                        fields=("recall",),
                        name="message_one_effect_per_recall",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("channel__in", ["email", "sms", "phone"])),
                        name="message_channel_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "status__in",
                                [
                                    "preparation",
                                    "in-progress",
                                    "not-done",
                                    "on-hold",
                                    "stopped",
                                    "completed",
                                    "entered-in-error",
                                ],
                            )
                        ),
                        name="message_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("status", courses.vocabulary.MessageStatus["COMPLETED"]),
                                _negated=True,
                            ),
                            ("sent_at__isnull", False),
                            _connector="OR",
                        ),
                        name="message_sent_has_time",
                    ),
                ],
            },
        ),
        *(
            migrations.RunSQL(
                sql=trigger_sql(table=table, steps=steps), reverse_sql=drop_trigger_sql(table=table)
            )
            for table, steps in STEPS.items()
        ),
    ]
