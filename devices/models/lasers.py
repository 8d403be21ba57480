"""Laser models with their lines, lasers, and their lock-outs."""

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeOperators
from django.db import models
from django.db.models import Q
from django.db.models.functions import Coalesce

from clinics.querysets import ChainScoped
from core.constraints import bounded_start, not_before, one_of, positive
from core.models import Versioned
from core.vocabulary import DeviceStatus, choices
from devices.querysets import LaserModelScoped, LockOutQuerySet
from devices.vocabulary import LockOutReason


class LaserModel(Versioned):
    """A type of laser, as its maker's instructions describe it."""

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="laser_models"
    )
    name = models.CharField(max_length=120)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["chain", "name"], name="lasermodel_name_once_per_chain")
        ]

    def __str__(self) -> str:
        return self.name


class EmissionLine(Versioned):
    """One wavelength that a laser model emits, with the limits of what it can deliver."""

    laser_model = models.ForeignKey(LaserModel, on_delete=models.CASCADE, related_name="lines")
    wavelength_nm = models.PositiveIntegerField()
    pulse_min_ns = models.FloatField(help_text="Shortest pulse duration")
    pulse_max_ns = models.FloatField(help_text="Longest pulse duration")
    spot_sizes_mm = ArrayField(models.FloatField(), help_text="Spot diameters it can be set to")
    max_energy_j = models.FloatField(help_text="Largest energy of one pulse")
    max_rate_hz = models.FloatField()

    objects = LaserModelScoped.as_manager()

    class Meta:
        ordering = ["laser_model", "wavelength_nm"]
        constraints = [
            models.UniqueConstraint(
                fields=["laser_model", "wavelength_nm", "pulse_min_ns"],
                name="emissionline_once_per_model",
            ),
            models.CheckConstraint(
                condition=Q(wavelength_nm__gte=180, wavelength_nm__lte=20000),
                name="emissionline_wavelength_optical",
            ),
            positive("pulse_min_ns", name="emissionline_pulse_positive"),
            not_before("pulse_max_ns", "pulse_min_ns", name="emissionline_pulse_ordered"),
            models.CheckConstraint(
                condition=Q(spot_sizes_mm__len__gt=0), name="emissionline_has_spot"
            ),
            positive("max_energy_j", name="emissionline_energy_positive"),
            positive("max_rate_hz", name="emissionline_rate_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.wavelength_nm} nm"


class LaserAuthorisation(models.Model):
    """Narrows a credential to one laser model; a credential without rows covers every model."""

    credential = models.ForeignKey(
        "clinics.Credential", on_delete=models.CASCADE, related_name="laser_authorisations"
    )
    laser_model = models.ForeignKey(
        LaserModel, on_delete=models.CASCADE, related_name="authorisations"
    )

    objects = LaserModelScoped.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["credential", "laser_model"], name="laserauthorisation_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.credential_id} on {self.laser_model_id}"


class Laser(Versioned):
    """One laser, at one clinic; `room` is empty for a mobile one."""

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="lasers")
    clinic = models.ForeignKey("clinics.Clinic", on_delete=models.PROTECT, related_name="lasers")
    room = models.ForeignKey(
        "clinics.Room", on_delete=models.PROTECT, null=True, blank=True, related_name="lasers"
    )
    resource = models.OneToOneField(
        "clinics.Resource", on_delete=models.PROTECT, related_name="laser"
    )
    laser_model = models.ForeignKey(LaserModel, on_delete=models.PROTECT, related_name="lasers")
    serial = models.CharField(max_length=80)
    label = models.CharField(max_length=80, blank=True, help_text="What the clinic calls it")
    status = models.CharField(
        max_length=20, choices=choices(DeviceStatus), default=DeviceStatus.ACTIVE
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["clinic", "serial"]
        constraints = [
            models.UniqueConstraint(
                fields=["laser_model", "serial"], name="laser_serial_once_per_model"
            ),
            one_of("status", DeviceStatus, name="laser_status_known"),
        ]

    def __str__(self) -> str:
        return self.label or self.serial


class LockOut(Versioned):
    """A laser may not fire during a period; without an upper end, until it is released.

    With a line only that line may not, and always until it is released.
    """

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="lock_outs")
    line = models.ForeignKey(
        EmissionLine, on_delete=models.PROTECT, null=True, blank=True, related_name="lock_outs"
    )
    period = DateTimeRangeField()
    reason = models.CharField(max_length=32, choices=choices(LockOutReason))
    note = models.CharField(max_length=400, blank=True)
    placed_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    released_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    release_note = models.CharField(max_length=400, blank=True)
    verification = models.ForeignKey(
        "devices.EnergyCheck",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="The passing energy check on which it was released",
    )

    objects = LockOutQuerySet.as_manager()

    class Meta:
        ordering = ["-period"]
        constraints = [
            one_of("reason", LockOutReason, name="lockout_reason_known"),
            bounded_start("period", name="lockout_period_starts"),
            ExclusionConstraint(
                name="lockout_one_at_a_time",
                expressions=[
                    ("laser", RangeOperators.EQUAL),
                    (Coalesce("line", 0), RangeOperators.EQUAL),
                    ("period", RangeOperators.OVERLAPS),
                ],
            ),
        ]
        indexes = [
            models.Index(
                fields=["laser", "line"],
                name="lockout_of_line",
                condition=Q(line__isnull=False),
            )
        ]

    def __str__(self) -> str:
        return f"{self.laser_id} {self.reason}"
