"""Tattoos and their parts."""

import django.db.models.deletion
from django.db import migrations, models

import courses.vocabulary


class Migration(migrations.Migration):
    dependencies = [
        ("courses", "0002_consents"),
    ]

    operations = [
        migrations.CreateModel(
            name="Tattoo",
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
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="tattoos",
                        to="courses.patient",
                    ),
                ),
                (
                    "site",
                    models.CharField(
                        choices=[
                            ("head", "head"),
                            ("neck", "neck"),
                            ("upper_trunk", "upper trunk"),
                            ("lower_trunk", "lower trunk"),
                            ("upper_arm", "upper arm"),
                            ("thigh", "thigh"),
                            ("forearm", "forearm"),
                            ("hand", "hand"),
                            ("lower_leg", "lower leg"),
                            ("foot", "foot"),
                        ],
                        max_length=16,
                    ),
                ),
                ("area_cm2", models.FloatField()),
                (
                    "ink_amount",
                    models.CharField(
                        choices=[
                            ("amateur", "amateur"),
                            ("minimal", "minimal"),
                            ("moderate", "moderate"),
                            ("significant", "significant"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "scarring",
                    models.CharField(
                        choices=[
                            ("none", "none"),
                            ("minimal", "minimal"),
                            ("moderate", "moderate"),
                            ("significant", "significant"),
                        ],
                        default=courses.vocabulary.Scarring["NONE"],
                        max_length=16,
                    ),
                ),
                (
                    "layered",
                    models.BooleanField(default=False, help_text="A cover-up over an older tattoo"),
                ),
                ("palpable", models.BooleanField(default=False)),
                (
                    "made_on",
                    models.DateField(blank=True, help_text="About when it was made", null=True),
                ),
                ("note", models.CharField(blank=True, max_length=400)),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "site__in",
                                [
                                    "head",
                                    "neck",
                                    "upper_trunk",
                                    "lower_trunk",
                                    "upper_arm",
                                    "thigh",
                                    "forearm",
                                    "hand",
                                    "lower_leg",
                                    "foot",
                                ],
                            )
                        ),
                        name="tattoo_site_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("ink_amount__in", ["amateur", "minimal", "moderate", "significant"])
                        ),
                        name="tattoo_ink_amount_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("scarring__in", ["none", "minimal", "moderate", "significant"])
                        ),
                        name="tattoo_scarring_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("area_cm2__gt", 0), ("area_cm2__lte", 20000)),
                        name="tattoo_area_on_a_body",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="TattooPart",
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
                    "tattoo",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="parts",
                        to="courses.tattoo",
                    ),
                ),
                (
                    "colour",
                    models.CharField(
                        choices=[
                            ("black", "black"),
                            ("blue_black", "blue black"),
                            ("dark_blue", "dark blue"),
                            ("blue", "blue"),
                            ("turquoise", "turquoise"),
                            ("green", "green"),
                            ("purple", "purple"),
                            ("red", "red"),
                            ("orange", "orange"),
                            ("yellow", "yellow"),
                            ("brown", "brown"),
                            ("white", "white"),
                            ("flesh", "flesh"),
                            ("pink", "pink"),
                            ("fluorescent", "fluorescent"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "technique",
                    models.CharField(
                        choices=[
                            ("outline", "outline"),
                            ("solid_fill", "solid fill"),
                            ("shading", "shading"),
                        ],
                        max_length=16,
                    ),
                ),
                (
                    "share",
                    models.FloatField(help_text="Fraction of the tattoo's area; shares sum to 1"),
                ),
                ("cleared_on", models.DateField(blank=True, null=True)),
            ],
            options={
                "ordering": ["tattoo", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("tattoo", "colour", "technique"), name="tattoopart_once_per_tattoo"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "colour__in",
                                [
                                    "black",
                                    "blue_black",
                                    "dark_blue",
                                    "blue",
                                    "turquoise",
                                    "green",
                                    "purple",
                                    "red",
                                    "orange",
                                    "yellow",
                                    "brown",
                                    "white",
                                    "flesh",
                                    "pink",
                                    "fluorescent",
                                ],
                            )
                        ),
                        name="tattoopart_colour_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("technique__in", ["outline", "solid_fill", "shading"])),
                        name="tattoopart_technique_known",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("share__gt", 0)), name="tattoopart_share_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("share__lte", 1)), name="tattoopart_share_at_most_one"
                    ),
                ],
            },
        ),
    ]
