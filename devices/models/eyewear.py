"""Protective eyewear, what a line emits besides itself, and what a chain demands."""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of, positive
from core.models import Versioned
from core.vocabulary import choices
from devices.models.lasers import EmissionLine
from devices.querysets import LineScoped
from devices.safety.vocabulary import LimitSet
from devices.vocabulary import EyewearCheck, EyewearKind, EyewearState


class Eyewear(Versioned):
    """One pair, or one set of patient shields, as it is marked, and where it is kept.

    `densities` holds `{"low_nm", "high_nm", "density"}`, `marks` those of EN 207. Without a room
    it is kept at the clinic, for whichever room needs it. Shields are opaque: they need neither.
    """

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="eyewear")
    clinic = models.ForeignKey("clinics.Clinic", on_delete=models.PROTECT, related_name="eyewear")
    room = models.ForeignKey(
        "clinics.Room", on_delete=models.PROTECT, null=True, blank=True, related_name="eyewear"
    )
    label = models.CharField(max_length=80, help_text="What the clinic calls it")
    kind = models.CharField(max_length=20, choices=choices(EyewearKind), default=EyewearKind.PAIR)
    densities = models.JSONField(default=list, blank=True)
    marks = ArrayField(models.CharField(max_length=120), default=list, blank=True)
    maker_mark = models.CharField(max_length=80, blank=True)
    state = models.CharField(
        max_length=20, choices=choices(EyewearState), default=EyewearState.IN_USE
    )
    inspected_on = models.DateField(null=True, blank=True)
    inspected_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    note = models.CharField(max_length=400, blank=True)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["clinic", "label"]
        constraints = [
            models.UniqueConstraint(fields=["chain", "label"], name="eyewear_label_once_per_chain"),
            one_of("kind", EyewearKind, name="eyewear_kind_known"),
            one_of("state", EyewearState, name="eyewear_state_known"),
            models.CheckConstraint(
                condition=Q(kind=EyewearKind.PATIENT_SHIELD)
                | ~Q(densities=[])
                | Q(marks__len__gt=0),
                name="eyewear_pair_says_what_it_stops",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class AccompanyingEmission(Versioned):
    """A wavelength that leaves the laser together with a line: what is left of a doubled beam."""

    line = models.ForeignKey(EmissionLine, on_delete=models.CASCADE, related_name="accompanying")
    wavelength_nm = models.PositiveIntegerField()
    max_energy_j = models.FloatField(help_text="Largest energy of one pulse of it")

    objects = LineScoped.as_manager()

    class Meta:
        ordering = ["line", "wavelength_nm"]
        constraints = [
            models.UniqueConstraint(
                fields=["line", "wavelength_nm"], name="accompanyingemission_once_per_line"
            ),
            models.CheckConstraint(
                condition=Q(wavelength_nm__gte=180, wavelength_nm__lte=20000),
                name="accompanyingemission_wavelength_optical",
            ),
            positive("max_energy_j", name="accompanyingemission_energy_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.wavelength_nm} nm with {self.line_id}"


class EyewearPolicy(Versioned):
    """What a chain demands of eyewear. Without a row, the defaults hold."""

    chain = models.OneToOneField(
        "clinics.Chain", on_delete=models.CASCADE, related_name="eyewear_policy"
    )
    at_booking = models.CharField(
        max_length=10,
        choices=choices(EyewearCheck),
        default=EyewearCheck.WARN,
        help_text="A pair can still be bought before the visit",
    )
    at_session = models.CharField(
        max_length=10, choices=choices(EyewearCheck), default=EyewearCheck.REFUSE
    )
    limit_set = models.CharField(max_length=10, choices=choices(LimitSet), default=LimitSet.LOWER)
    exposure_s = models.FloatField(default=10.0, help_text="How long an eye may be exposed")
    margin = models.FloatField(default=1.0, help_text="By which an exposure is multiplied")
    needs_levels = models.BooleanField(
        default=True, help_text="Whether EN 207 marks must suffice too, or the OD alone"
    )
    inspection_months = models.PositiveSmallIntegerField(
        default=12, help_text="Eyewear that was not inspected within these months does not count"
    )

    objects = ChainScoped.as_manager()

    class Meta:
        constraints = [
            one_of("at_booking", EyewearCheck, name="eyewearpolicy_at_booking_known"),
            one_of("at_session", EyewearCheck, name="eyewearpolicy_at_session_known"),
            one_of("limit_set", LimitSet, name="eyewearpolicy_limit_set_known"),
            models.CheckConstraint(
                condition=Q(exposure_s__gte=0.25, exposure_s__lte=10),
                name="eyewearpolicy_exposure_in_tables",
            ),
            models.CheckConstraint(
                condition=Q(margin__gte=1, margin__lte=10), name="eyewearpolicy_margin_plausible"
            ),
            models.CheckConstraint(
                condition=Q(inspection_months__gte=1, inspection_months__lte=60),
                name="eyewearpolicy_inspection_plausible",
            ),
        ]

    def __str__(self) -> str:
        return f"eyewear of chain {self.chain_id}"
