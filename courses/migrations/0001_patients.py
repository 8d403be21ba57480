"""Patients and how they are reached; addresses are encrypted, and found by a blind index."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

import core.encryption
import core.spelling
import courses.timing.words


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("clinics", "0001_organisation"),
    ]

    operations = [
        migrations.CreateModel(
            name="Patient",
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
                    "chain",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="patients",
                        to="clinics.chain",
                    ),
                ),
                (
                    "home_clinic",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="patients",
                        to="clinics.clinic",
                    ),
                ),
                (
                    "resource",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="patient",
                        to="clinics.resource",
                    ),
                ),
                ("given_name", models.CharField(max_length=80)),
                ("family_name", models.CharField(max_length=80)),
                ("given_name_spelling", core.spelling.SpellingField("given_name")),
                ("family_name_spelling", core.spelling.SpellingField("family_name")),
                ("birth_date", models.DateField()),
                (
                    "skin_type",
                    models.PositiveSmallIntegerField(
                        choices=[(1, "I"), (2, "II"), (3, "III"), (4, "IV"), (5, "V"), (6, "VI")],
                        help_text="Fitzpatrick, 1 to 6",
                    ),
                ),
                ("smoker", models.BooleanField(default=False)),
                ("gold_therapy_ever", models.BooleanField(default=False)),
                ("deceased", models.BooleanField(default=False)),
                ("language", models.CharField(default="en", max_length=8)),
                (
                    "erased_at",
                    models.DateTimeField(
                        editable=False,
                        help_text="Erasure was asked for: the record is closed, and goes on under a pseudonym",
                        null=True,
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
                "indexes": [
                    models.Index(
                        fields=["chain", "family_name", "given_name", "id"],
                        name="patient_chain_name",
                    ),
                    models.Index(
                        fields=["chain", "family_name_spelling"], name="patient_family_spelling"
                    ),
                    models.Index(
                        fields=["chain", "given_name_spelling"], name="patient_given_spelling"
                    ),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("skin_type__in", [1, 2, 3, 4, 5, 6])),
                        name="patient_skin_type_known",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ContactPoint",
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
                    "patient",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="contact_points",
                        to="courses.patient",
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
                    "address",
                    core.encryption.EncryptedTextField(
                        db_column="address_sealed", db_default="", default="", max_length=254
                    ),
                ),
                (
                    "address_index",
                    core.encryption.BlindIndexField(
                        db_default="", default="", editable=False, max_length=64
                    ),
                ),
                ("rank", models.PositiveSmallIntegerField(default=1, help_text="1 is tried first")),
                (
                    "allowed",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=12),
                        default=list,
                        editable=False,
                        help_text="Purposes that the patient agreed to and did not opt out of",
                        size=None,
                    ),
                ),
                (
                    "opted_out",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=12),
                        default=list,
                        editable=False,
                        help_text="Purposes that the patient opted out of",
                        size=None,
                    ),
                ),
                ("quiet_from", models.TimeField(blank=True, null=True)),
                ("quiet_until", models.TimeField(blank=True, null=True)),
                (
                    "time_zone",
                    models.CharField(
                        blank=True,
                        help_text="IANA name; empty: that of the home clinic",
                        max_length=64,
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[("working", "working"), ("off", "off")],
                        default=courses.timing.words.ContactState["WORKING"],
                        editable=False,
                        max_length=8,
                    ),
                ),
                ("off_reason", models.CharField(blank=True, editable=False, max_length=60)),
                ("off_at", models.DateTimeField(editable=False, null=True)),
            ],
            options={
                "ordering": ["patient", "rank", "id"],
                "indexes": [
                    models.Index(fields=["address_index"], name="contactpoint_address_index"),
                    models.Index(fields=["patient", "rank", "id"], name="contactpoint_of_patient"),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("address_index", ""), _negated=True),
                        fields=("patient", "channel", "address_index"),
                        name="contactpoint_address_once",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("channel__in", ["email", "sms", "phone"])),
                        name="contactpoint_channel_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("state__in", ["working", "off"])),
                        name="contactpoint_state_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("off_at__isnull", True),
                                ("off_reason", ""),
                                ("state", courses.timing.words.ContactState["WORKING"]),
                            ),
                            models.Q(
                                ("off_at__isnull", False),
                                ("state", courses.timing.words.ContactState["OFF"]),
                                models.Q(("off_reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="contactpoint_off_says_why",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("quiet_from__isnull", True), ("quiet_until__isnull", True)),
                            models.Q(("quiet_from__isnull", False), ("quiet_until__isnull", False)),
                            _connector="OR",
                        ),
                        name="contactpoint_quiet_both_or_none",
                    ),
                ],
            },
        ),
    ]
