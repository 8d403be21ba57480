"""The ledger of pulses."""

from django.db import models
from django.db.models import Q

from core.constraints import one_of
from core.models import AppendOnly
from core.vocabulary import choices
from devices.models.handpieces import Handpiece
from devices.models.lasers import EmissionLine, Laser
from devices.querysets import LaserScoped
from devices.vocabulary import PulsePurpose


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
