"""Laser models and their lines, lasers, handpieces, and the ledger of pulses."""

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeOperators
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import bounded_start, not_before, one_of, positive
from core.models import AppendOnly, Versioned
from core.vocabulary import DeviceStatus, choices
from devices.querysets import LaserModelScoped, LaserScoped, PeriodOfLaser
from devices.vocabulary import LockOutReason, PulsePurpose


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
    """A laser may not fire during a period; without an upper end, until it is released."""

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="lock_outs")
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

    objects = PeriodOfLaser.as_manager()

    class Meta:
        ordering = ["-period"]
        constraints = [
            one_of("reason", LockOutReason, name="lockout_reason_known"),
            bounded_start("period", name="lockout_period_starts"),
            ExclusionConstraint(
                name="lockout_one_at_a_time",
                expressions=[
                    ("laser", RangeOperators.EQUAL),
                    ("period", RangeOperators.OVERLAPS),
                ],
            ),
        ]

    def __str__(self) -> str:
        return f"{self.laser_id} {self.reason}"


class Handpiece(Versioned):
    """A handpiece with its own serial, lines, pulse counter and rated life."""

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="handpieces")
    resource = models.OneToOneField(
        "clinics.Resource", on_delete=models.PROTECT, related_name="handpiece"
    )
    serial = models.CharField(max_length=80)
    lines = models.ManyToManyField(EmissionLine, related_name="handpieces")
    spot_sizes_mm = ArrayField(models.FloatField())
    counter_at_start = models.PositiveBigIntegerField(
        default=0, help_text="Pulses on its counter when this record began"
    )
    rated_life_pulses = models.PositiveBigIntegerField(null=True, blank=True)
    status = models.CharField(
        max_length=20, choices=choices(DeviceStatus), default=DeviceStatus.ACTIVE
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["serial"]
        constraints = [
            models.UniqueConstraint(
                fields=["chain", "serial"], name="handpiece_serial_once_per_chain"
            ),
            one_of("status", DeviceStatus, name="handpiece_status_known"),
            models.CheckConstraint(
                condition=Q(spot_sizes_mm__len__gt=0), name="handpiece_has_spot"
            ),
            positive("rated_life_pulses", name="handpiece_rated_life_positive"),
        ]

    def __str__(self) -> str:
        return self.serial


class Fitting(Versioned):
    """A handpiece is fitted to a laser during a period; to one laser at a time."""

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="fittings")
    handpiece = models.ForeignKey(Handpiece, on_delete=models.PROTECT, related_name="fittings")
    period = DateTimeRangeField()

    objects = PeriodOfLaser.as_manager()

    class Meta:
        ordering = ["-period"]
        constraints = [
            bounded_start("period", name="fitting_period_starts"),
            ExclusionConstraint(
                name="fitting_one_laser_at_a_time",
                expressions=[
                    ("handpiece", RangeOperators.EQUAL),
                    ("period", RangeOperators.OVERLAPS),
                ],
            ),
        ]

    def __str__(self) -> str:
        return f"{self.handpiece_id} on {self.laser_id}"


class PulseEntry(AppendOnly):
    """The ledger: pulses fired by a laser through a handpiece on one line. It only grows.

    A mistake is mended by a signed correction that points at what it corrects. `source` names
    the owner as `<table>:<id>`; `entry_key` makes a repeated write change nothing.
    """

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="pulse_entries")
    handpiece = models.ForeignKey(Handpiece, on_delete=models.PROTECT, related_name="pulse_entries")
    line = models.ForeignKey(EmissionLine, on_delete=models.PROTECT, related_name="pulse_entries")
    pulses = models.BigIntegerField()
    purpose = models.CharField(max_length=16, choices=choices(PulsePurpose))
    operator = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="pulse_entries"
    )
    fired_at = models.DateTimeField()
    corrects = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="corrections"
    )
    reason = models.CharField(max_length=400, blank=True)
    source = models.CharField(max_length=64, blank=True)
    entry_key = models.CharField(max_length=200)
    created_at = models.DateTimeField(auto_now_add=True)

    objects = LaserScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["laser", "entry_key"], name="pulseentry_key_once"),
            one_of("purpose", PulsePurpose, name="pulseentry_purpose_known"),
            models.CheckConstraint(
                condition=Q(pulses__gt=0, corrects__isnull=True)
                & ~Q(purpose=PulsePurpose.CORRECTION)
                | Q(
                    ~Q(pulses=0),
                    ~Q(reason=""),
                    corrects__isnull=False,
                    purpose=PulsePurpose.CORRECTION,
                ),
                name="pulseentry_only_corrections_are_signed",
            ),
        ]
        indexes = [
            models.Index(fields=["laser", "fired_at"], name="pulseentry_laser_time"),
            models.Index(fields=["handpiece", "fired_at"], name="pulseentry_handpiece_time"),
            models.Index(fields=["fired_at", "id"], name="pulseentry_time"),
            models.Index(fields=["source"], name="pulseentry_source"),
        ]

    def __str__(self) -> str:
        return f"{self.pulses} pulses of {self.laser_id}"
