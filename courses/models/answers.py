"""What comes back about messages: from providers, and from patients at the address in a text."""

from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of, positive
from core.models import AppendOnly
from core.vocabulary import choices
from courses.querysets import CourseScoped, MessageScoped
from courses.timing.words import DeliveryOutcome, ReplyKind


class MessageTemplate(AppendOnly):
    """A version of a chain's own words for one text in one language.

    The one with the highest number counts. One that is withdrawn has no words: the service's own
    count again.
    """

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="message_templates", db_index=False
    )
    name = models.CharField(max_length=40, help_text="Which text, as a step of a cadence names it")
    language = models.CharField(max_length=8)
    number = models.PositiveIntegerField()
    subject = models.CharField(max_length=200, blank=True)
    body = models.TextField(blank=True)
    short = models.TextField(blank=True, help_text="The same for a text message")
    withdrawn = models.BooleanField(default=False)
    set_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["chain", "name", "language", "number"], name="messagetemplate_number_once"
            ),
            positive("number", name="messagetemplate_number_positive"),
            models.CheckConstraint(
                condition=Q(withdrawn=True) | ~(Q(subject="") | Q(body="") | Q(short="")),
                name="messagetemplate_has_words",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} in {self.language}, version {self.number}"


class DeliveryReport(AppendOnly):
    """What a provider told of a message later. Its own id of the report makes a repeat harmless."""

    message = models.ForeignKey(
        "courses.Message", on_delete=models.PROTECT, related_name="delivery_reports"
    )
    provider_id = models.CharField(max_length=200, unique=True)
    outcome = models.CharField(max_length=12, choices=choices(DeliveryOutcome))
    reason = models.CharField(max_length=60, blank=True)
    happened_at = models.DateTimeField(help_text="As the provider told it")
    received_at = models.DateTimeField()

    objects = MessageScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("outcome", DeliveryOutcome, name="deliveryreport_outcome_known"),
            models.CheckConstraint(condition=~Q(provider_id=""), name="deliveryreport_has_id"),
        ]

    def __str__(self) -> str:
        return f"{self.outcome} of message {self.message_id}"


class Reply(AppendOnly):
    """What a patient answered to a message, once for each kind of answer."""

    message = models.ForeignKey(
        "courses.Message", on_delete=models.PROTECT, related_name="replies", db_index=False
    )
    kind = models.CharField(max_length=8, choices=choices(ReplyKind))
    appointment = models.ForeignKey(
        "courses.Appointment", on_delete=models.PROTECT, null=True, related_name="+"
    )
    until = models.DateField(null=True, help_text="Ask again from this day")
    replied_at = models.DateTimeField()

    objects = MessageScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["message", "kind"], name="reply_once_for_each_kind"),
            one_of("kind", ReplyKind, name="reply_kind_known"),
            models.CheckConstraint(
                condition=~Q(kind=ReplyKind.BOOK) | Q(appointment__isnull=False),
                name="reply_booked_something",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} to message {self.message_id}"


class RecallPause(AppendOnly):
    """Nobody invites to this course before a day: the patient or the front desk asked for it.

    The newest of a course counts. `set_by` is empty where the patient answered alone.
    """

    course = models.ForeignKey(
        "courses.Course", on_delete=models.PROTECT, related_name="recall_pauses", db_index=False
    )
    until = models.DateField(help_text="Invitations are counted from this day")
    reason = models.CharField(max_length=200, blank=True)
    set_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    set_at = models.DateTimeField()

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["course", "-id"], name="recallpause_newest")]

    def __str__(self) -> str:
        return f"pause of course {self.course_id} until {self.until}"
