"""Texts of a chain, reports of providers, replies and pauses."""

import django.db.models.deletion
from django.db import migrations, models

import courses.timing.words
from core.models import append_only_sql


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0014_messages"),
    ]

    operations = [
        migrations.CreateModel(
            name="MessageTemplate",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "chain",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="message_templates",
                        to="clinics.chain",
                    ),
                ),
                (
                    "name",
                    models.CharField(
                        help_text="Which text, as a step of a cadence names it", max_length=40
                    ),
                ),
                ("language", models.CharField(max_length=8)),
                ("number", models.PositiveIntegerField()),
                ("subject", models.CharField(blank=True, max_length=200)),
                ("body", models.TextField(blank=True)),
                ("short", models.TextField(blank=True, help_text="The same for a text message")),
                ("withdrawn", models.BooleanField(default=False)),
                (
                    "set_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("set_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("chain", "name", "language", "number"),
                        name="messagetemplate_number_once",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("number__gt", 0)),
                        name="messagetemplate_number_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("withdrawn", True),
                            models.Q(
                                ("subject", ""),
                                ("body", ""),
                                ("short", ""),
                                _connector="OR",
                                _negated=True,
                            ),
                            _connector="OR",
                        ),
                        name="messagetemplate_has_words",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="DeliveryReport",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "message",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="delivery_reports",
                        to="courses.message",
                    ),
                ),
                ("provider_id", models.CharField(max_length=200, unique=True)),
                (
                    "outcome",
                    models.CharField(
                        choices=[
                            ("delivered", "delivered"),
                            ("failed", "failed"),
                            ("bounced", "bounced"),
                            ("refused", "refused"),
                        ],
                        max_length=12,
                    ),
                ),
                ("reason", models.CharField(blank=True, max_length=60)),
                ("happened_at", models.DateTimeField(help_text="As the provider told it")),
                ("received_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("outcome__in", ["delivered", "failed", "bounced", "refused"])
                        ),
                        name="deliveryreport_outcome_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("provider_id", ""), _negated=True),
                        name="deliveryreport_has_id",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Reply",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "message",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="replies",
                        to="courses.message",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[("book", "book"), ("later", "later"), ("stop", "stop")],
                        max_length=8,
                    ),
                ),
                (
                    "appointment",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="courses.appointment",
                    ),
                ),
                ("until", models.DateField(help_text="Ask again from this day", null=True)),
                ("replied_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("message", "kind"), name="reply_once_for_each_kind"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kind__in", ["book", "later", "stop"])),
                        name="reply_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("kind", courses.timing.words.ReplyKind["BOOK"]), _negated=True
                            ),
                            ("appointment__isnull", False),
                            _connector="OR",
                        ),
                        name="reply_booked_something",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="RecallPause",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "course",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="recall_pauses",
                        to="courses.course",
                    ),
                ),
                ("until", models.DateField(help_text="Invitations are counted from this day")),
                ("reason", models.CharField(blank=True, max_length=200)),
                (
                    "set_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
                ("set_at", models.DateTimeField()),
            ],
            options={
                "ordering": ["id"],
                "indexes": [models.Index(fields=["course", "-id"], name="recallpause_newest")],
            },
        ),
        append_only_sql("courses_messagetemplate"),
        append_only_sql("courses_deliveryreport"),
        append_only_sql("courses_reply"),
        append_only_sql("courses_recallpause"),
    ]
