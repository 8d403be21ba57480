"""Parts with a life of their own, and where each was installed from when until when."""

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeOperators
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import bounded_start, one_of, positive
from core.models import Versioned
from core.vocabulary import DeviceStatus, choices
from devices.models.handpieces import Handpiece
from devices.models.lasers import Laser
from devices.querysets import InstallationQuerySet
from devices.vocabulary import PartKind


class Part(Versioned):
    """A flashlamp, crystal, filter, window or the like, with the life its maker rates it for.

    Wear is what the ledger has fired where the part was installed, on `wavelengths_nm` only where
    some are named (a doubling crystal), on top of `pulses_before`.
    """

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="parts")
    kind = models.CharField(max_length=16, choices=choices(PartKind))
    serial = models.CharField(max_length=80)
    rated_life_pulses = models.PositiveBigIntegerField(null=True, blank=True)
    rated_life_months = models.PositiveSmallIntegerField(null=True, blank=True)
    rated_life_source = models.CharField(
        max_length=200, blank=True, help_text="Where the rated life stands, e.g. the manual"
    )
    pulses_before = models.PositiveBigIntegerField(
        default=0, help_text="Pulses it had done before this record began"
    )
    wavelengths_nm = ArrayField(
        models.PositiveIntegerField(),
        default=list,
        blank=True,
        help_text="Lines whose pulses wear it; empty: all",
    )
    status = models.CharField(
        max_length=20, choices=choices(DeviceStatus), default=DeviceStatus.ACTIVE
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["kind", "serial"]
        constraints = [
            models.UniqueConstraint(
                fields=["chain", "kind", "serial"], name="part_serial_once_per_kind"
            ),
            one_of("kind", PartKind, name="part_kind_known"),
            one_of("status", DeviceStatus, name="part_status_known"),
            positive("rated_life_pulses", name="part_rated_pulses_positive"),
            positive("rated_life_months", name="part_rated_months_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.serial}"


class Installation(Versioned):
    """A part sits in a laser or in a handpiece during a period; in one place at a time."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="installations")
    laser = models.ForeignKey(
        Laser, on_delete=models.PROTECT, null=True, blank=True, related_name="installations"
    )
    handpiece = models.ForeignKey(
        Handpiece, on_delete=models.PROTECT, null=True, blank=True, related_name="installations"
    )
    period = DateTimeRangeField()
    note = models.CharField(max_length=400, blank=True)
    installed_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    removed_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    removal_note = models.CharField(max_length=400, blank=True)

    objects = InstallationQuerySet.as_manager()

    class Meta:
        ordering = ["-period"]
        constraints = [
            bounded_start("period", name="installation_period_starts"),
            models.CheckConstraint(
                condition=Q(laser__isnull=False, handpiece__isnull=True)
                | Q(laser__isnull=True, handpiece__isnull=False),
                name="installation_in_one_device",
            ),
            ExclusionConstraint(
                name="installation_one_place_at_a_time",
                expressions=[
                    ("part", RangeOperators.EQUAL),
                    ("period", RangeOperators.OVERLAPS),
                ],
            ),
        ]

    def __str__(self) -> str:
        return f"part {self.part_id} in {self.laser_id or self.handpiece_id}"
