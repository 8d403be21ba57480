"""Service plans of lasers, and the visits at which they are done."""

from django.contrib.postgres.fields import DateTimeRangeField
from django.db import models
from django.db.models import Q

from core.constraints import bounded, one_of, positive
from core.models import Versioned
from core.vocabulary import choices
from devices.models.checks import EnergyCheck
from devices.models.lasers import Laser, LockOut
from devices.querysets import LaserScoped
from devices.vocabulary import ServiceVisitStatus


class ServicePlan(Versioned):
    """What is to be done to a laser every so many pulses, months, or whichever comes first.

    Pulses count from the ledger since `last_done_at`, on top of `pulses_before`. The tolerances
    are how far beyond the due point the laser may still be used.
    """

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="service_plans")
    name = models.CharField(max_length=120)
    every_pulses = models.PositiveBigIntegerField(null=True, blank=True)
    every_months = models.PositiveSmallIntegerField(null=True, blank=True)
    tolerance_pulses = models.PositiveBigIntegerField(default=0)
    tolerance_days = models.PositiveSmallIntegerField(default=0)
    last_done_at = models.DateTimeField(help_text="From when pulses and months count")
    pulses_before = models.PositiveBigIntegerField(
        default=0, help_text="Pulses since the last service that the ledger does not have"
    )
    source = models.CharField(max_length=200, blank=True, help_text="Where the interval stands")
    deferred_until = models.DateTimeField(
        null=True, blank=True, help_text="No lock-out before this instant"
    )
    deferral_reason = models.CharField(max_length=400, blank=True)
    warned_at = models.DateTimeField(null=True, help_text="When it was first seen to be near")
    active = models.BooleanField(default=True)

    objects = LaserScoped.as_manager()

    class Meta:
        ordering = ["laser", "name"]
        constraints = [
            models.UniqueConstraint(fields=["laser", "name"], name="serviceplan_name_once"),
            models.CheckConstraint(
                condition=Q(every_pulses__isnull=False) | Q(every_months__isnull=False),
                name="serviceplan_has_interval",
            ),
            positive("every_pulses", name="serviceplan_pulses_positive"),
            positive("every_months", name="serviceplan_months_positive"),
            models.CheckConstraint(
                condition=Q(deferred_until__isnull=True) | ~Q(deferral_reason=""),
                name="serviceplan_deferred_with_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.laser_id}"


class ServiceVisit(Versioned):
    """A visit of whoever services a laser. Its reservation names `service_visit:<id>`.

    While appointments stand in its way it is pending, and a lock-out keeps further ones out.
    """

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="service_visits")
    plans = models.ManyToManyField(ServicePlan, related_name="visits", blank=True)
    period = DateTimeRangeField()
    status = models.CharField(max_length=16, choices=choices(ServiceVisitStatus))
    note = models.CharField(max_length=400, blank=True)
    booked_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    lock_out = models.OneToOneField(
        LockOut, on_delete=models.SET_NULL, null=True, related_name="service_visit"
    )
    done_at = models.DateTimeField(null=True)
    done_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    outcome = models.CharField(max_length=400, blank=True)
    verification = models.ForeignKey(
        EnergyCheck, on_delete=models.PROTECT, null=True, related_name="verified_visits"
    )

    objects = LaserScoped.as_manager()

    class Meta:
        ordering = ["-period"]
        constraints = [
            bounded("period", name="servicevisit_period_bounded"),
            one_of("status", ServiceVisitStatus, name="servicevisit_status_known"),
            models.CheckConstraint(
                condition=~Q(status=ServiceVisitStatus.FULFILLED)
                | Q(done_at__isnull=False, done_by__isnull=False),
                name="servicevisit_done_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return f"service of {self.laser_id}"
