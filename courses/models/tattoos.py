"""A tattoo and its parts: one colour in one technique each."""

from django.db import models
from django.db.models import F, Q

from core.constraints import one_of, positive
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import PartScoped, PatientScoped, TattooScoped
from courses.vocabulary import BodySite, InkAmount, InkColour, Scarring, Technique


class Tattoo(Versioned):
    """What the practitioner sees at the assessment."""

    patient = models.ForeignKey("courses.Patient", on_delete=models.PROTECT, related_name="tattoos")
    site = models.CharField(max_length=16, choices=choices(BodySite))
    area_cm2 = models.FloatField()
    ink_amount = models.CharField(max_length=16, choices=choices(InkAmount))
    scarring = models.CharField(max_length=16, choices=choices(Scarring), default=Scarring.NONE)
    layered = models.BooleanField(default=False, help_text="A cover-up over an older tattoo")
    palpable = models.BooleanField(default=False)
    made_on = models.DateField(null=True, blank=True, help_text="About when it was made")
    note = models.CharField(max_length=400, blank=True)

    objects = PatientScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("site", BodySite, name="tattoo_site_known"),
            one_of("ink_amount", InkAmount, name="tattoo_ink_amount_known"),
            one_of("scarring", Scarring, name="tattoo_scarring_known"),
            models.CheckConstraint(
                condition=Q(area_cm2__gt=0, area_cm2__lte=20000), name="tattoo_area_on_a_body"
            ),
        ]

    def __str__(self) -> str:
        return f"tattoo {self.pk}"


class TattooPart(Versioned):
    """One colour in one technique, with its share of the area; parts clear at their own speed."""

    tattoo = models.ForeignKey(
        Tattoo, on_delete=models.CASCADE, related_name="parts", db_index=False
    )
    colour = models.CharField(max_length=16, choices=choices(InkColour))
    technique = models.CharField(max_length=16, choices=choices(Technique))
    share = models.FloatField(help_text="Fraction of the tattoo's area; shares sum to 1")
    cleared_on = models.DateField(null=True, blank=True)

    objects = TattooScoped.as_manager()

    class Meta:
        ordering = ["tattoo", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["tattoo", "colour", "technique"], name="tattoopart_once_per_tattoo"
            ),
            one_of("colour", InkColour, name="tattoopart_colour_known"),
            one_of("technique", Technique, name="tattoopart_technique_known"),
            positive("share", name="tattoopart_share_positive"),
            models.CheckConstraint(condition=Q(share__lte=1), name="tattoopart_share_at_most_one"),
        ]

    def __str__(self) -> str:
        return f"{self.colour} {self.technique}"


class ClearanceGrade(Versioned):
    """How much of a part a grader saw gone, as a band: `low` to `high`, fractions."""

    part = models.ForeignKey(TattooPart, on_delete=models.PROTECT, related_name="grades")
    graded_on = models.DateField()
    low = models.FloatField()
    high = models.FloatField()
    darkened = models.BooleanField(default=False, help_text="A darkening event since last time")
    graded_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")

    objects = PartScoped.as_manager()

    class Meta:
        ordering = ["part", "graded_on", "id"]
        constraints = [
            models.UniqueConstraint(fields=["part", "graded_on"], name="clearancegrade_once_a_day"),
            models.CheckConstraint(
                condition=Q(low__gte=0, high__lte=1, high__gte=F("low")),
                name="clearancegrade_band_ordered",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.low}-{self.high} on {self.graded_on}"
