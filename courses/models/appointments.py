"""An appointment: who, where and when, for one session of a course; and series of them."""

from django.db import models
from django.db.models import Q

from core.constraints import one_of
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import CourseScoped
from courses.vocabulary import AppointmentStatus


class AppointmentSeries(models.Model):
    """The next sessions of a course, booked at once. Which comes first its members say."""

    course = models.ForeignKey("courses.Course", on_delete=models.PROTECT, related_name="series")
    booked_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"series {self.pk}"


class Appointment(Versioned):
    """A held or booked session. Its reservations carry the source `appointment:<id>`.

    `timeline` lists the segments (role, minutes from the start) that the reservations follow.
    A hold is `proposed` and counts until `hold_expires_at`. `next_earliest_at` and
    `next_advised_on` say when the same skin could be treated next, as far as the healing rules
    can say before the session has happened.
    """

    course = models.ForeignKey(
        "courses.Course", on_delete=models.PROTECT, related_name="appointments", db_index=False
    )
    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="appointments", db_index=False
    )
    room = models.ForeignKey(
        "clinics.Room", on_delete=models.PROTECT, related_name="appointments", db_index=False
    )
    operator = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="appointments", db_index=False
    )
    laser = models.ForeignKey(
        "devices.Laser", on_delete=models.PROTECT, related_name="appointments", db_index=False
    )
    handpieces = models.ManyToManyField("devices.Handpiece", related_name="appointments")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    timeline = models.JSONField(default=list)
    wavelengths_nm = models.JSONField(default=list)
    status = models.CharField(max_length=20, choices=choices(AppointmentStatus))
    hold_expires_at = models.DateTimeField(null=True, blank=True)
    status_reason = models.CharField(max_length=400, blank=True)
    override_reason = models.CharField(
        max_length=400, blank=True, help_text="A clinician's reason to book before the window"
    )
    booked_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    series = models.ForeignKey(
        AppointmentSeries,
        on_delete=models.PROTECT,
        null=True,
        related_name="appointments",
        db_index=False,
    )
    position = models.PositiveSmallIntegerField(null=True, help_text="In its series, from 1")
    next_earliest_at = models.DateTimeField(null=True)
    next_advised_on = models.DateField(null=True)

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["starts_at", "id"]
        constraints = [
            one_of("status", AppointmentStatus, name="appointment_status_known"),
            models.CheckConstraint(
                condition=Q(ends_at__gt=models.F("starts_at")), name="appointment_ends_after_start"
            ),
            models.CheckConstraint(
                condition=~Q(status=AppointmentStatus.PROPOSED) | Q(hold_expires_at__isnull=False),
                name="appointment_hold_expires",
            ),
            models.UniqueConstraint(
                fields=["series", "position"], name="appointment_position_once_in_series"
            ),
            models.CheckConstraint(
                condition=Q(series__isnull=True, position__isnull=True)
                | Q(series__isnull=False, position__gt=0),
                name="appointment_position_in_series",
            ),
        ]
        indexes = [
            models.Index(fields=["clinic", "starts_at", "id"], name="appointment_clinic_time"),
            models.Index(fields=["course", "starts_at"], name="appointment_course_time"),
            models.Index(fields=["laser", "starts_at"], name="appointment_laser_time"),
            models.Index(
                fields=["starts_at", "id"],
                name="appointment_to_remind",
                condition=Q(status=AppointmentStatus.BOOKED),
            ),
            models.Index(
                fields=["booked_by", "hold_expires_at"],
                name="appointment_held",
                condition=Q(status=AppointmentStatus.PROPOSED),
            ),
            models.Index(fields=["room", "starts_at"], name="appointment_room_time"),
            models.Index(fields=["operator", "starts_at"], name="appointment_operator_time"),
        ]

    def __str__(self) -> str:
        return f"appointment {self.pk}"
