"""The waiting list: whose skin is or will be ready, and what the patient wishes."""

from django.db import models
from django.db.models import Q

from core.constraints import one_of
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import CourseScoped
from courses.vocabulary import WaitingStatus


class WaitingListEntry(Versioned):
    """A course that waits for a visit, or for an earlier one than it has.

    `wishes` are weekdays and ranges of local wall time (any of them will do; none: any time);
    `technique` is what the length of the visit is reckoned by. `notice_hours`: how long before a
    visit the patient must know of it.
    """

    course = models.ForeignKey(
        "courses.Course", on_delete=models.PROTECT, related_name="waiting_list_entries"
    )
    status = models.CharField(
        max_length=20, choices=choices(WaitingStatus), default=WaitingStatus.WAITLIST
    )
    status_reason = models.CharField(max_length=400, blank=True)
    since = models.DateTimeField()
    wishes = models.JSONField(default=list, blank=True)
    technique = models.JSONField(default=dict, blank=True)
    notice_hours = models.PositiveSmallIntegerField(default=0)
    note = models.CharField(max_length=400, blank=True)
    entered_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["since", "id"]
        constraints = [
            one_of("status", WaitingStatus, name="waitinglistentry_status_known"),
            models.UniqueConstraint(
                fields=["course"],
                condition=Q(status=WaitingStatus.WAITLIST),
                name="waitinglistentry_once_per_course",
            ),
        ]
        indexes = [
            models.Index(
                fields=["since", "id"],
                name="waitinglistentry_waiting",
                condition=Q(status=WaitingStatus.WAITLIST),
            ),
        ]

    def __str__(self) -> str:
        return f"waiting {self.pk}"


class AcceptedClinic(models.Model):
    """A clinic that a waiting patient would come to; `preference` 0..1, 1 is best."""

    entry = models.ForeignKey(WaitingListEntry, on_delete=models.CASCADE, related_name="clinics")
    clinic = models.ForeignKey("clinics.Clinic", on_delete=models.PROTECT, related_name="+")
    preference = models.FloatField(default=1.0)

    class Meta:
        ordering = ["-preference", "clinic"]
        constraints = [
            models.UniqueConstraint(fields=["entry", "clinic"], name="acceptedclinic_once"),
            models.CheckConstraint(
                condition=Q(preference__gte=0, preference__lte=1),
                name="acceptedclinic_preference_is_fraction",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.entry_id} at {self.clinic_id}"
