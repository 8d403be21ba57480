"""What is done for laser safety, by whom and when; who answers for it; what went wrong."""

from typing import Final

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeOperators
from django.contrib.postgres.indexes import GistIndex
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped, ClinicScoped
from core.constraints import bounded_start, not_before, one_of
from core.models import AppendOnly, Versioned
from core.vocabulary import choices
from devices.models.lasers import Laser
from devices.querysets import IncidentScoped, OfficerQuerySet
from devices.safety.vocabulary import IncidentKind
from devices.vocabulary import (
    ClockStatus,
    IncidentActuality,
    IncidentStatus,
    StartUpEffect,
)

CODE_LENGTH: Final = 40


class DutyPolicy(Versioned):
    """A chain's lists of duties, where they differ from the defaults, and what a check does.

    `start_up`, `periodic` and `clocks` are as `devices.safety.duty_rules` reads them; null is the
    default.
    """

    chain = models.OneToOneField(
        "clinics.Chain", on_delete=models.CASCADE, related_name="duty_policy"
    )
    start_up = models.JSONField(null=True, blank=True)
    periodic = models.JSONField(null=True, blank=True)
    clocks = models.JSONField(null=True, blank=True)
    at_failed = models.CharField(
        max_length=10,
        choices=choices(StartUpEffect),
        default=StartUpEffect.REFUSE,
        help_text="What the latest start-up check of the day does to sessions when it failed",
    )
    at_missing = models.CharField(
        max_length=10,
        choices=choices(StartUpEffect),
        default=StartUpEffect.OFF,
        help_text="What it does to sessions that nobody made the start-up check of the day",
    )
    warn_days = models.PositiveSmallIntegerField(
        default=30, help_text="How long before it is due a duty is told of"
    )

    objects = ChainScoped.as_manager()

    class Meta:
        constraints = [
            one_of("at_failed", StartUpEffect, name="dutypolicy_at_failed_known"),
            one_of("at_missing", StartUpEffect, name="dutypolicy_at_missing_known"),
            models.CheckConstraint(
                condition=Q(warn_days__lte=365), name="dutypolicy_warn_days_plausible"
            ),
        ]

    def __str__(self) -> str:
        return f"duties of chain {self.chain_id}"


class StartUpCheck(AppendOnly):
    """What was looked at before the first patient of a day, on a laser or in a room.

    `day` is the clinic's local date. `items` holds `{"code", "ok", "note"}` for each thing that
    the chain lists. A later check of the same day stands in place of an earlier one.
    """

    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="start_up_checks"
    )
    laser = models.ForeignKey(
        Laser,
        on_delete=models.PROTECT,
        null=True,
        related_name="start_up_checks",
        db_index=False,
    )
    room = models.ForeignKey(
        "clinics.Room",
        on_delete=models.PROTECT,
        null=True,
        related_name="start_up_checks",
        db_index=False,
    )
    day = models.DateField()
    checked_at = models.DateTimeField()
    checked_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    items = models.JSONField()
    passed = models.BooleanField()
    note = models.CharField(max_length=400, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(laser__isnull=False, room__isnull=True)
                | Q(laser__isnull=True, room__isnull=False),
                name="startupcheck_of_one_thing",
            ),
            models.CheckConstraint(condition=~Q(items=[]), name="startupcheck_has_items"),
        ]
        indexes = [
            models.Index(fields=["laser", "day"], name="startupcheck_laser_day"),
            models.Index(fields=["room", "day"], name="startupcheck_room_day"),
        ]

    def __str__(self) -> str:
        return f"start-up of {self.laser_id or self.room_id} on {self.day}"


class DutyRecord(AppendOnly):
    """A periodic duty of a clinic was done. One that was recorded in error is withdrawn."""

    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="duty_records", db_index=False
    )
    duty = models.CharField(max_length=CODE_LENGTH, help_text="A code of the policy")
    done_on = models.DateField()
    done_by = models.CharField(max_length=120, help_text="Who did it, such as an adviser")
    outcome = models.CharField(max_length=1000)
    recorded_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()
    withdraws = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="withdrawal"
    )

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(outcome=""), name="dutyrecord_says_outcome")
        ]
        indexes = [models.Index(fields=["clinic", "duty", "done_on"], name="dutyrecord_of_clinic")]

    def __str__(self) -> str:
        return f"{self.duty} on {self.done_on}"


class OfficerAppointment(Versioned):
    """Somebody is laser safety officer of a clinic, or deputy, from day to day."""

    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="officer_appointments"
    )
    staff_member = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="officer_appointments"
    )
    deputy = models.BooleanField(default=False)
    valid_during = DateRangeField()
    appointed_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=400, blank=True)

    objects = OfficerQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            bounded_start("valid_during", name="officerappointment_valid_from"),
            ExclusionConstraint(
                name="officerappointment_one_officer",
                expressions=[
                    ("clinic", RangeOperators.EQUAL),
                    ("valid_during", RangeOperators.OVERLAPS),
                ],
                condition=Q(deputy=False),
            ),
            ExclusionConstraint(
                name="officerappointment_once_a_person",
                expressions=[
                    ("clinic", RangeOperators.EQUAL),
                    ("staff_member", RangeOperators.EQUAL),
                    ("valid_during", RangeOperators.OVERLAPS),
                ],
            ),
        ]
        indexes = [
            GistIndex(fields=["clinic", "valid_during"], name="officerappointment_of_clinic")
        ]

    def __str__(self) -> str:
        return f"{self.staff_member_id} at {self.clinic_id}"


class Incident(Versioned):
    """Something went wrong with a laser, or nearly did. No patient is named in it."""

    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="incidents", db_index=False
    )
    laser = models.ForeignKey(
        Laser, on_delete=models.PROTECT, null=True, blank=True, related_name="incidents"
    )
    room = models.ForeignKey(
        "clinics.Room", on_delete=models.PROTECT, null=True, blank=True, related_name="incidents"
    )
    kind = models.CharField(max_length=20, choices=choices(IncidentKind))
    actuality = models.CharField(max_length=10, choices=choices(IncidentActuality))
    status = models.CharField(
        max_length=20, choices=choices(IncidentStatus), default=IncidentStatus.IN_PROGRESS
    )
    occurred_at = models.DateTimeField()
    known_at = models.DateTimeField(help_text="From when its clocks run")
    summary = models.CharField(max_length=1000, help_text="Names no patient")
    reported_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    outcome = models.CharField(max_length=1000, blank=True)

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            one_of("kind", IncidentKind, name="incident_kind_known"),
            one_of("actuality", IncidentActuality, name="incident_actuality_known"),
            one_of("status", IncidentStatus, name="incident_status_known"),
            not_before("known_at", "occurred_at", name="incident_known_after"),
            models.CheckConstraint(
                condition=Q(status=IncidentStatus.IN_PROGRESS, closed_at__isnull=True)
                | (
                    ~Q(status=IncidentStatus.IN_PROGRESS)
                    & Q(closed_at__isnull=False, closed_by__isnull=False)
                    & ~Q(outcome="")
                ),
                name="incident_closed_with_outcome",
            ),
        ]
        indexes = [models.Index(fields=["clinic", "status"], name="incident_of_clinic")]

    def __str__(self) -> str:
        return f"{self.kind} at {self.clinic_id}"


class IncidentClock(Versioned):
    """What an incident demands until when, as the chain's policy stood when it was recorded.

    One that follows another clock counts from when that was met; until then, from when it is due.
    """

    incident = models.ForeignKey(
        Incident, on_delete=models.PROTECT, related_name="clocks", db_index=False
    )
    code = models.CharField(max_length=CODE_LENGTH)
    text = models.CharField(max_length=200)
    source = models.CharField(max_length=200)
    within = models.DurationField()
    follows = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="followed_by"
    )
    due_at = models.DateTimeField()
    status = models.CharField(
        max_length=20, choices=choices(ClockStatus), default=ClockStatus.REQUESTED
    )
    settled_at = models.DateTimeField(null=True, help_text="When it was met")
    settled_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    reference = models.CharField(max_length=400, blank=True)

    objects = IncidentScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["incident", "code"], name="incidentclock_code_once"),
            one_of("status", ClockStatus, name="incidentclock_status_known"),
            models.CheckConstraint(
                condition=Q(status=ClockStatus.REQUESTED, settled_at__isnull=True)
                | (
                    ~Q(status=ClockStatus.REQUESTED)
                    & Q(settled_at__isnull=False, settled_by__isnull=False)
                    & ~Q(reference="")
                ),
                name="incidentclock_settled_with_reference",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} by {self.due_at}"


class IncidentNote(AppendOnly):
    """What somebody found, did or was told about an incident. It stays as it was written."""

    incident = models.ForeignKey(Incident, on_delete=models.PROTECT, related_name="notes")
    written_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    written_at = models.DateTimeField()
    text = models.TextField(max_length=4000)

    objects = IncidentScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=~Q(text=""), name="incidentnote_has_text")]

    def __str__(self) -> str:
        return f"note on {self.incident_id}"
