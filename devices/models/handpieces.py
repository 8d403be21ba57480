"""Handpieces, and to which laser each is fitted."""

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeOperators
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import bounded_start, one_of, positive
from core.models import Versioned
from core.vocabulary import DeviceStatus, choices
from devices.models.lasers import EmissionLine, Laser
from devices.querysets import PeriodOfLaser


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
    rated_life_months = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Counted from when it was first fitted"
    )
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
            positive("rated_life_months", name="handpiece_rated_months_positive"),
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
