"""The ledger of pulses."""

from typing import Final

from django.db import models
from django.db.models import Q

from core.constraints import not_before, one_of
from core.models import AppendOnly
from core.vocabulary import choices
from devices.models.handpieces import Handpiece
from devices.models.lasers import EmissionLine, Laser
from devices.querysets import LaserScoped
from devices.vocabulary import PulsePurpose

SETTING: Final = ("spot_mm", "fluence_j_cm2", "rate_hz")
DERIVED: Final = ("energy_j", "total_energy_j", "area_cm2", "average_power_w")


def _all_or_none(*fields: str) -> Q:
    """Either every one of the columns has a value, or none has."""
    given = Q(**{f"{name}__isnull": False for name in fields})
    return given | Q(**{f"{name}__isnull": True for name in fields})


class PulseEntry(AppendOnly):
    """The ledger: pulses fired by a laser through a handpiece on one line. It only grows.

    A mistake is mended by a signed correction that points at what it corrects. `source` names
    the owner as `<table>:<id>`; `entry_key` makes a repeated write change nothing.

    The database itself gives each entry its place in the chain of its laser (`sequence`), the
    digest of the entry before and its own, whoever inserts it and whatever they say; see
    `devices.hashchain` for how an entry is encoded. The setting is that of the firing, where one
    is known; energies, area and power are derived from it when the row is written.
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
    ended_at = models.DateTimeField(null=True, help_text="When the firing was over")
    spot_mm = models.FloatField(null=True)
    fluence_j_cm2 = models.FloatField(null=True)
    rate_hz = models.FloatField(null=True)
    energy_j = models.FloatField(null=True, help_text="Of one pulse, from fluence and spot")
    total_energy_j = models.FloatField(null=True)
    area_cm2 = models.FloatField(null=True, help_text="Of all spots; overlap is not taken off")
    average_power_w = models.FloatField(null=True)
    encoding = models.PositiveSmallIntegerField(db_default=0, editable=False)
    sequence = models.PositiveBigIntegerField(db_default=0, editable=False)
    previous = models.BinaryField(db_default=b"", help_text="Digest of the entry before")
    digest = models.BinaryField(db_default=b"")

    objects = LaserScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["laser", "entry_key"], name="pulseentry_key_once"),
            models.UniqueConstraint(fields=["laser", "sequence"], name="pulseentry_chain_once"),
            one_of("purpose", PulsePurpose, name="pulseentry_purpose_known"),
            not_before("ended_at", "fired_at", name="pulseentry_ends_after_start"),
            models.CheckConstraint(
                condition=_all_or_none(*SETTING, *DERIVED), name="pulseentry_setting_whole"
            ),
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


class LedgerHead(AppendOnly):
    """The last entry's digest as it was at some time: what is cut off after it is missed.

    The strongest copy is one outside of this database: printed, exported, sent away.
    """

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="ledger_heads")
    sequence = models.PositiveBigIntegerField()
    digest = models.BinaryField()
    noted_at = models.DateTimeField()

    objects = LaserScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["laser", "sequence"], name="ledgerhead_once")
        ]

    def __str__(self) -> str:
        return f"{self.laser_id} at {self.sequence}"
