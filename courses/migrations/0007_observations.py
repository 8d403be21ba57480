"""What was seen of the skin, and of the ink."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("clinics", "0001_organisation"),
        ("courses", "0006_sessions"),
    ]

    operations = [
        migrations.CreateModel(
            name="Observation",
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
                    "course",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="observations",
                        to="courses.course",
                    ),
                ),
                (
                    "session",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="observations",
                        to="courses.session",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("raised", "raised"),
                            ("flat", "flat"),
                            ("erythema", "erythema"),
                            ("swelling", "swelling"),
                            ("blister", "blister"),
                            ("crust", "crust"),
                            ("erosion", "erosion"),
                            ("hyperpigmentation", "hyperpigmentation"),
                            ("pigment_loss", "pigment loss"),
                            ("texture_change", "texture change"),
                            ("infection_sign", "infection sign"),
                            ("scar", "scar"),
                            ("allergy", "allergy"),
                            ("darkening", "darkening"),
                            ("torn_epidermis", "torn epidermis"),
                            ("sunburn", "sunburn"),
                            ("tan", "tan"),
                        ],
                        max_length=24,
                    ),
                ),
                (
                    "severity",
                    models.CharField(
                        choices=[("mild", "mild"), ("moderate", "moderate"), ("severe", "severe")],
                        default=courses.vocabulary.Severity["MILD"],
                        max_length=12,
                    ),
                ),
                (
                    "status",
                    models.CharField(
                        choices=[
                            ("final", "final"),
                            ("amended", "amended"),
                            ("entered-in-error", "entered in error"),
                        ],
                        default=courses.vocabulary.ObservationStatus["FINAL"],
                        max_length=20,
                    ),
                ),
                ("observed_on", models.DateField()),
                ("began_on", models.DateField(blank=True, null=True)),
                ("resolved_on", models.DateField(blank=True, null=True)),
                ("note", models.CharField(blank=True, max_length=400)),
                (
                    "status_reason",
                    models.CharField(
                        blank=True,
                        help_text="Why it was amended or entered in error",
                        max_length=400,
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
            ],
            options={
                "ordering": ["course", "observed_on", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "kind__in",
                                [
                                    "raised",
                                    "flat",
                                    "erythema",
                                    "swelling",
                                    "blister",
                                    "crust",
                                    "erosion",
                                    "hyperpigmentation",
                                    "pigment_loss",
                                    "texture_change",
                                    "infection_sign",
                                    "scar",
                                    "allergy",
                                    "darkening",
                                    "torn_epidermis",
                                    "sunburn",
                                    "tan",
                                ],
                            )
                        ),
                        name="observation_kind_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("severity__in", ["mild", "moderate", "severe"])),
                        name="observation_severity_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("status__in", ["final", "amended", "entered-in-error"])
                        ),
                        name="observation_status_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("observed_on__gte", models.F("began_on"))),
                        name="observation_seen_after_it_began",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("resolved_on__gte", models.F("observed_on"))),
                        name="observation_resolved_after_seen",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ClearanceGrade",
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
                    "part",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="grades",
                        to="courses.tattoopart",
                    ),
                ),
                ("graded_on", models.DateField()),
                ("low", models.FloatField()),
                ("high", models.FloatField()),
                (
                    "darkened",
                    models.BooleanField(
                        default=False, help_text="A darkening event since last time"
                    ),
                ),
                (
                    "graded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="clinics.staffmember",
                    ),
                ),
            ],
            options={
                "ordering": ["part", "graded_on", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("part", "graded_on"), name="clearancegrade_once_a_day"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("high__gte", models.F("low")), ("high__lte", 1), ("low__gte", 0)
                        ),
                        name="clearancegrade_band_ordered",
                    ),
                ],
            },
        ),
    ]
