"""Counters that lasers, lamps and handpieces have, what was read off them, and what differs."""

from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of, positive
from core.models import AppendOnly, Versioned
from core.vocabulary import choices
from devices.models.handpieces import Handpiece
from devices.models.lasers import Laser
from devices.models.ledger import PulseEntry
from devices.models.parts import Installation
from devices.querysets import CounterReadings, CounterScoped
from devices.vocabulary import (
    CounterFinding,
    CounterKind,
    CounterStep,
    CounterUnit,
    DifferenceResolution,
    DifferenceStatus,
    ReadingOccasion,
)


class Counter(Versioned):
    """Something that counts pulses by itself: a laser, a lamp in it, or a handpiece.

    The counters of a laser and its lamp count whatever the laser fires; that of a handpiece
    counts what goes through it, on whichever laser. `capacity` is where it begins again at 0.
    """

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="counters")
    kind = models.CharField(max_length=16, choices=choices(CounterKind))
    laser = models.ForeignKey(
        Laser, on_delete=models.PROTECT, null=True, blank=True, related_name="counters"
    )
    handpiece = models.ForeignKey(
        Handpiece, on_delete=models.PROTECT, null=True, blank=True, related_name="counters"
    )
    name = models.CharField(max_length=80, blank=True, help_text="Which of several lamps")
    unit = models.CharField(max_length=20, choices=choices(CounterUnit), default=CounterUnit.PULSES)
    capacity = models.PositiveBigIntegerField(
        null=True, blank=True, help_text="In its unit: it shows 0 after capacity - 1"
    )
    active = models.BooleanField(default=True)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("kind", CounterKind, name="counter_kind_known"),
            one_of("unit", CounterUnit, name="counter_unit_known"),
            positive("capacity", name="counter_capacity_positive"),
            models.CheckConstraint(
                condition=Q(kind=CounterKind.HANDPIECE, handpiece__isnull=False, laser__isnull=True)
                | Q(
                    kind__in=[CounterKind.LASER, CounterKind.LAMP],
                    handpiece__isnull=True,
                    laser__isnull=False,
                ),
                name="counter_of_one_device",
            ),
            models.UniqueConstraint(
                fields=["laser", "kind", "name"], name="counter_once_per_laser"
            ),
            models.UniqueConstraint(
                fields=["handpiece", "name"], name="counter_once_per_handpiece"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} counter {self.pk}"


class CounterReading(AppendOnly):
    """What a counter showed at an instant, in its unit. A wrong one is replaced by a further row.

    `step` says how the counter came here from the reading before: by counting, past its capacity,
    or anew from `first_value` after a part was replaced, which `installation` records.
    """

    counter = models.ForeignKey(Counter, on_delete=models.PROTECT, related_name="readings")
    read_at = models.DateTimeField()
    value = models.PositiveBigIntegerField()
    step = models.CharField(
        max_length=16, choices=choices(CounterStep), default=CounterStep.COUNTED
    )
    first_value = models.PositiveBigIntegerField(
        default=0, help_text="What it showed when it was replaced"
    )
    installation = models.ForeignKey(
        Installation, on_delete=models.PROTECT, null=True, related_name="counter_readings"
    )
    occasion = models.CharField(max_length=16, choices=choices(ReadingOccasion))
    read_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=400, blank=True)
    source = models.CharField(max_length=64, blank=True, help_text="`<table>:<id>` of its owner")
    corrects = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="correction"
    )
    reason = models.CharField(max_length=400, blank=True)
    withdrawn = models.BooleanField(
        default=False, help_text="The reading that it corrects was none"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    objects = CounterReadings.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("step", CounterStep, name="counterreading_step_known"),
            one_of("occasion", ReadingOccasion, name="counterreading_occasion_known"),
            models.CheckConstraint(
                condition=Q(step=CounterStep.REPLACED, installation__isnull=False)
                | Q(~Q(step=CounterStep.REPLACED), installation__isnull=True, first_value=0),
                name="counterreading_reset_has_a_part",
            ),
            models.CheckConstraint(
                condition=Q(corrects__isnull=True, withdrawn=False)
                | Q(Q(corrects__isnull=False), ~Q(reason="")),
                name="counterreading_correction_has_reason",
            ),
            models.UniqueConstraint(
                fields=["counter", "read_at"],
                condition=Q(corrects__isnull=True),
                name="counterreading_once_at_a_time",
            ),
        ]
        indexes = [models.Index(fields=["counter", "read_at"], name="counterreading_time")]

    def __str__(self) -> str:
        return f"{self.value} on {self.counter_id}"


class CounterDifference(Versioned):
    """Between two readings, a counter and the ledger do not say the same: somebody looks into it.

    Both sums are in pulses. It is never removed: it is settled when later entries mend it, closed
    by a person with an explanation, and open again when the sums change after that.
    """

    counter = models.ForeignKey(Counter, on_delete=models.PROTECT, related_name="differences")
    earlier = models.ForeignKey(CounterReading, on_delete=models.PROTECT, related_name="+")
    later = models.ForeignKey(CounterReading, on_delete=models.PROTECT, related_name="+")
    finding = models.CharField(max_length=16, choices=choices(CounterFinding))
    step = models.CharField(max_length=16, choices=choices(CounterStep))
    counter_pulses = models.BigIntegerField()
    ledger_pulses = models.BigIntegerField()
    status = models.CharField(
        max_length=16, choices=choices(DifferenceStatus), default=DifferenceStatus.OPEN
    )
    opened_at = models.DateTimeField()
    owner = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    explanation = models.CharField(max_length=1000, blank=True)
    correction = models.ForeignKey(
        PulseEntry, on_delete=models.PROTECT, null=True, related_name="explained_differences"
    )
    explained_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    explained_at = models.DateTimeField(null=True)
    resolution = models.CharField(max_length=16, choices=choices(DifferenceResolution), blank=True)
    closed_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True)

    objects = CounterScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["earlier", "later"], name="counterdifference_once_per_span"
            ),
            one_of("finding", CounterFinding, name="counterdifference_finding_known"),
            one_of("step", CounterStep, name="counterdifference_step_known"),
            one_of("status", DifferenceStatus, name="counterdifference_status_known"),
            models.CheckConstraint(
                condition=Q(
                    status=DifferenceStatus.CLOSED,
                    closed_at__isnull=False,
                    resolution__in=[code.value for code in DifferenceResolution],
                )
                | Q(~Q(status=DifferenceStatus.CLOSED), closed_at__isnull=True, resolution=""),
                name="counterdifference_closed_with_resolution",
            ),
        ]
        indexes = [models.Index(fields=["status", "counter"], name="counterdifference_status")]

    def __str__(self) -> str:
        return f"{self.finding} on {self.counter_id}"


class CounterReconciliation(AppendOnly):
    """One comparison of a chain's counters with its ledger: how much was seen, what differs."""

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="counter_reconciliations"
    )
    ran_at = models.DateTimeField()
    since = models.DateTimeField()
    spans = models.PositiveIntegerField()
    agreeing = models.PositiveIntegerField()
    opened = models.PositiveIntegerField()
    settled = models.PositiveIntegerField()
    left_open = models.PositiveIntegerField()

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["chain", "-ran_at"], name="counterreconciliation_time")]

    def __str__(self) -> str:
        return f"{self.left_open} of {self.spans} differ"


class CounterLayout(Versioned):
    """How a chain's own CSV files name what is read off counters.

    `columns` names the heading of each field; `fixed` gives fields that have no column.
    """

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="counter_layouts"
    )
    name = models.CharField(max_length=120)
    columns = models.JSONField(help_text="Heading of the column of each field")
    fixed = models.JSONField(default=dict, blank=True, help_text="Value of a field without column")
    delimiter = models.CharField(max_length=1, default=",")
    encoding = models.CharField(max_length=16, default="utf-8")
    time_format = models.CharField(
        max_length=40, blank=True, help_text="As strptime takes it; empty: ISO 8601"
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["chain", "name"], name="counterlayout_name_once_per_chain"
            )
        ]

    def __str__(self) -> str:
        return self.name


class CounterImport(AppendOnly):
    """One file of readings that was taken in, whole; `digest` is SHA-256 of its bytes."""

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="counter_imports"
    )
    layout = models.ForeignKey(CounterLayout, on_delete=models.PROTECT, related_name="imports")
    digest = models.CharField(max_length=64)
    rows = models.PositiveIntegerField()
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(fields=["chain", "digest"], name="counterimport_file_once")
        ]

    def __str__(self) -> str:
        return f"{self.rows} readings"
