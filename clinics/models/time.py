"""What can be busy, when it is, and when a clinic is open."""

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, DateTimeRangeField, RangeOperators
from django.contrib.postgres.indexes import GistIndex
from django.db import models
from django.db.models import F, Q

from clinics.querysets import (
    ClinicScoped,
    ClosureQuerySet,
    ReservationQuerySet,
    ResourceQuerySet,
    ResourceScoped,
)
from clinics.vocabulary import (
    AbsenceReason,
    HolidayTreatment,
    ReservationReason,
    ResourceKind,
)
from core.constraints import bounded, bounded_start, one_of
from core.models import Versioned
from core.vocabulary import ReservationStatus, choices


class Resource(models.Model):
    """One row for whatever can be busy: the row that a booking locks.

    `clinic` is where the resource stands now; a patient has none.
    """

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="resources")
    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, null=True, related_name="resources"
    )
    kind = models.CharField(max_length=16, choices=choices(ResourceKind))

    objects = ResourceQuerySet.as_manager()

    class Meta:
        constraints = [one_of("kind", ResourceKind, name="resource_kind_known")]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"


class Reservation(models.Model):
    """One resource busy for one half-open period. The database refuses an overlap.

    `source` names the owner as `<table>:<id>` (an appointment, a service visit): upper apps
    find their reservations by it. A tentative reservation counts until `expires_at`; a booking
    that locks the resource deletes those that have expired.
    """

    resource = models.ForeignKey(
        Resource, on_delete=models.PROTECT, related_name="reservations", db_index=False
    )
    period = DateTimeRangeField()
    status = models.CharField(
        max_length=20, choices=choices(ReservationStatus), default=ReservationStatus.BUSY
    )
    reason = models.CharField(max_length=16, choices=choices(ReservationReason))
    source = models.CharField(max_length=64)
    expires_at = models.DateTimeField(null=True)
    created_at = models.DateTimeField(auto_now_add=True)

    objects = ReservationQuerySet.as_manager()

    class Meta:
        constraints = [
            ExclusionConstraint(
                name="reservation_no_overlap",
                expressions=[
                    ("resource", RangeOperators.EQUAL),
                    ("period", RangeOperators.OVERLAPS),
                ],
            ),
            bounded("period", name="reservation_period_bounded"),
            models.CheckConstraint(
                condition=Q(
                    status__in=[
                        ReservationStatus.BUSY,
                        ReservationStatus.BUSY_UNAVAILABLE,
                        ReservationStatus.BUSY_TENTATIVE,
                    ]
                ),
                name="reservation_status_known",
            ),
            one_of("reason", ReservationReason, name="reservation_reason_known"),
            models.CheckConstraint(
                condition=Q(status=ReservationStatus.BUSY_TENTATIVE, expires_at__isnull=False)
                | (~Q(status=ReservationStatus.BUSY_TENTATIVE) & Q(expires_at__isnull=True)),
                name="reservation_tentative_expires",
            ),
        ]
        indexes = [
            models.Index(fields=["source"], name="reservation_source"),
            models.Index(
                fields=["expires_at"],
                name="reservation_expiry",
                condition=Q(status=ReservationStatus.BUSY_TENTATIVE),
            ),
            models.Index(
                fields=["resource", "expires_at"],
                name="reservation_held",
                condition=Q(status=ReservationStatus.BUSY_TENTATIVE),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.resource_id} {self.period}"


class Absence(Versioned):
    """A room, a member of staff or a device is not to be had for a period, and why.

    Its reservation carries the source `absence:<id>`.
    """

    resource = models.ForeignKey(Resource, on_delete=models.PROTECT, related_name="absences")
    period = DateTimeRangeField()
    reason = models.CharField(max_length=16, choices=choices(AbsenceReason))
    note = models.CharField(max_length=200, blank=True)
    entered_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )

    objects = ResourceScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("reason", AbsenceReason, name="absence_reason_known"),
            bounded("period", name="absence_period_bounded"),
        ]

    def __str__(self) -> str:
        return f"{self.resource_id} {self.reason}"


class OpeningRule(Versioned):
    """A clinic is open on one weekday from `opens` to `closes`, in local wall time.

    `closes` of 00:00 means the midnight that ends the day. `valid_during` is a range of local
    dates, open-ended where no end is known.
    """

    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.CASCADE, related_name="opening_rules"
    )
    weekday = models.PositiveSmallIntegerField(help_text="1 is Monday, 7 is Sunday (ISO 8601)")
    opens = models.TimeField()
    closes = models.TimeField()
    valid_during = DateRangeField()

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["clinic", "weekday", "opens"]
        constraints = [
            models.CheckConstraint(
                condition=Q(weekday__gte=1, weekday__lte=7), name="openingrule_weekday_iso"
            ),
            models.CheckConstraint(
                condition=Q(closes__gt=F("opens")) | Q(closes="00:00"),
                name="openingrule_closes_after_opens",
            ),
            bounded_start("valid_during", name="openingrule_valid_from"),
        ]

    def __str__(self) -> str:
        return f"{self.clinic_id} day {self.weekday} {self.opens}-{self.closes}"


class Closure(Versioned):
    """A clinic is closed for a period, whatever its weekly rules say."""

    clinic = models.ForeignKey("clinics.Clinic", on_delete=models.CASCADE, related_name="closures")
    period = DateTimeRangeField()
    reason = models.CharField(max_length=200)

    objects = ClosureQuerySet.as_manager()

    class Meta:
        ordering = ["period"]
        constraints = [bounded("period", name="closure_period_bounded")]
        indexes = [GistIndex(fields=["clinic", "period"], name="closure_clinic_period")]

    def __str__(self) -> str:
        return f"{self.clinic_id} {self.period}"


class HolidayOverride(Versioned):
    """One date on which a clinic departs from the public holidays of its place.

    `open` with hours opens on a holiday (or on any other day); `open` without hours means the
    weekly rules hold; `closed` closes the whole day.
    """

    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.CASCADE, related_name="holiday_overrides"
    )
    date = models.DateField()
    treatment = models.CharField(max_length=8, choices=choices(HolidayTreatment))
    opens = models.TimeField(null=True)
    closes = models.TimeField(null=True)
    reason = models.CharField(max_length=200, blank=True)

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["date"]
        constraints = [
            models.UniqueConstraint(fields=["clinic", "date"], name="holidayoverride_once_a_day"),
            one_of("treatment", HolidayTreatment, name="holidayoverride_treatment_known"),
            models.CheckConstraint(
                condition=Q(closes__gt=F("opens")) | Q(closes="00:00"),
                name="holidayoverride_closes_after_opens",
            ),
            models.CheckConstraint(
                condition=Q(opens__isnull=True, closes__isnull=True)
                | Q(opens__isnull=False, closes__isnull=False, treatment=HolidayTreatment.OPEN),
                name="holidayoverride_hours_both_or_none",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.clinic_id} {self.date} {self.treatment}"
