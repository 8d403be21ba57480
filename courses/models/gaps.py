"""A gap in the diary, and to whom on the waiting list it was offered, one after the other."""

from django.contrib.postgres.fields import DateTimeRangeField
from django.db import models
from django.db.models import Q

from clinics.querysets import ClinicScoped
from core.constraints import bounded, one_of, positive
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import GapScoped
from courses.vocabulary import GapStatus, OfferStatus


class Gap(Versioned):
    """Time that has come free at a clinic and is offered; with `laser` only on that one."""

    clinic = models.ForeignKey("clinics.Clinic", on_delete=models.PROTECT, related_name="gaps")
    period = DateTimeRangeField()
    laser = models.ForeignKey(
        "devices.Laser", on_delete=models.PROTECT, null=True, related_name="gaps"
    )
    hold_minutes = models.PositiveSmallIntegerField(
        help_text="How long each has to answer; the slot is held meanwhile"
    )
    status = models.CharField(max_length=12, choices=choices(GapStatus), default=GapStatus.OFFERING)
    started_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("status", GapStatus, name="gap_status_known"),
            bounded("period", name="gap_period_bounded"),
            positive("hold_minutes", name="gap_hold_minutes_positive"),
        ]

    def __str__(self) -> str:
        return f"gap {self.pk}"


class GapOffer(Versioned):
    """One patient's turn. `appointment` is the hold; `replaces` the later visit it would move.

    `overdue_days`: how far past the advised day the patient was when the turns were given.
    """

    gap = models.ForeignKey(Gap, on_delete=models.PROTECT, related_name="offers")
    entry = models.ForeignKey(
        "courses.WaitingListEntry", on_delete=models.PROTECT, related_name="offers"
    )
    position = models.PositiveSmallIntegerField(help_text="From 1: who is asked first")
    overdue_days = models.IntegerField()
    status = models.CharField(
        max_length=12, choices=choices(OfferStatus), default=OfferStatus.QUEUED
    )
    status_reason = models.CharField(max_length=400, blank=True)
    appointment = models.OneToOneField(
        "courses.Appointment", on_delete=models.PROTECT, null=True, related_name="gap_offer"
    )
    replaces = models.ForeignKey(
        "courses.Appointment", on_delete=models.PROTECT, null=True, related_name="+"
    )
    offered_at = models.DateTimeField(null=True)
    expires_at = models.DateTimeField(null=True)

    objects = GapScoped.as_manager()

    class Meta:
        ordering = ["gap", "position"]
        constraints = [
            one_of("status", OfferStatus, name="gapoffer_status_known"),
            models.UniqueConstraint(fields=["gap", "position"], name="gapoffer_position_once"),
            models.UniqueConstraint(fields=["gap", "entry"], name="gapoffer_entry_once_per_gap"),
            models.UniqueConstraint(
                fields=["gap"],
                condition=Q(status=OfferStatus.OFFERED),
                name="gapoffer_one_at_a_time",
            ),
            models.UniqueConstraint(
                fields=["entry"],
                condition=Q(status=OfferStatus.OFFERED),
                name="gapoffer_one_for_each_entry",
            ),
            models.CheckConstraint(
                condition=~Q(status__in=[OfferStatus.OFFERED, OfferStatus.ACCEPTED])
                | Q(appointment__isnull=False, expires_at__isnull=False),
                name="gapoffer_offered_is_held",
            ),
        ]
        indexes = [
            models.Index(
                fields=["expires_at", "id"],
                name="gapoffer_to_expire",
                condition=Q(status=OfferStatus.OFFERED),
            )
        ]

    def __str__(self) -> str:
        return f"offer {self.position} of gap {self.gap_id}"
