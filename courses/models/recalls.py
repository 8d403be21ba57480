"""That a patient is due, and each message about it."""

from django.db import models
from django.db.models import Q

from core.constraints import one_of
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import CourseScoped, RecallScoped
from courses.vocabulary import Channel, MessageStatus, RecallKind, RequestStatus


class Recall(Versioned):
    """One thing to tell a patient: come and book, keep what is booked, or that it was moved.

    `occasion` names what it speaks of, so that nothing is told twice: `window:<id>:<version>`
    for one closing of a window, `appointment:<id>:<start>` for one time of an appointment,
    `course:<id>:<number>` for an invitation that somebody was to have had before.
    """

    course = models.ForeignKey("courses.Course", on_delete=models.PROTECT, related_name="recalls")
    window = models.ForeignKey(
        "courses.HealingWindow", on_delete=models.PROTECT, null=True, related_name="recalls"
    )
    appointment = models.ForeignKey(
        "courses.Appointment", on_delete=models.PROTECT, null=True, related_name="recalls"
    )
    kind = models.CharField(max_length=12, choices=choices(RecallKind))
    step = models.CharField(max_length=40, help_text="Step of the cadence")
    occasion = models.CharField(max_length=80, help_text="What it speaks of, as a unique key")
    due_at = models.DateTimeField()
    status = models.CharField(
        max_length=20, choices=choices(RequestStatus), default=RequestStatus.ACTIVE
    )
    status_reason = models.CharField(max_length=200, blank=True)

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["occasion", "kind", "step"], name="recall_once_per_occasion_and_step"
            ),
            models.CheckConstraint(condition=~Q(occasion=""), name="recall_has_occasion"),
            models.CheckConstraint(
                condition=Q(kind=RecallKind.INVITATION, window__isnull=False)
                | Q(kind__in=[RecallKind.REMINDER, RecallKind.CHANGE], appointment__isnull=False),
                name="recall_speaks_of_something",
            ),
            one_of("kind", RecallKind, name="recall_kind_known"),
            one_of("status", RequestStatus, name="recall_status_known"),
        ]
        indexes = [models.Index(fields=["status", "due_at", "id"], name="recall_status_due")]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"


class Message(Versioned):
    """One message on one channel. Its id is the key that makes a provider's repeat harmless.

    A worker claims the row until `lease_until`; `attempt` guards the outcome it writes. A phone
    call is `on-hold` while it waits for the front desk; `attempt` counts the calls made.
    """

    recall = models.ForeignKey(Recall, on_delete=models.PROTECT, related_name="messages")
    contact_point = models.ForeignKey(
        "courses.ContactPoint", on_delete=models.PROTECT, related_name="messages"
    )
    channel = models.CharField(max_length=8, choices=choices(Channel))
    status = models.CharField(
        max_length=20, choices=choices(MessageStatus), default=MessageStatus.PREPARATION
    )
    status_reason = models.CharField(max_length=200, blank=True)
    due_at = models.DateTimeField()
    attempt = models.PositiveSmallIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    provider_reference = models.CharField(max_length=200, blank=True)

    objects = RecallScoped.as_manager()

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["recall", "contact_point"], name="message_once_per_recall_and_contact"
            ),
            one_of("channel", Channel, name="message_channel_known"),
            one_of("status", MessageStatus, name="message_status_known"),
            models.CheckConstraint(
                condition=~Q(status=MessageStatus.COMPLETED) | Q(sent_at__isnull=False),
                name="message_sent_has_time",
            ),
        ]
        indexes = [
            models.Index(
                fields=["due_at", "id"],
                name="message_to_send",
                condition=Q(status__in=[MessageStatus.PREPARATION, MessageStatus.IN_PROGRESS]),
            ),
            models.Index(
                fields=["due_at", "id"],
                name="message_call_open",
                condition=Q(status=MessageStatus.ON_HOLD),
            ),
        ]

    def __str__(self) -> str:
        return f"message {self.pk}"
