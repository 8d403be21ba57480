"""That a patient is due, and each message about it."""

from typing import Final

from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of, positive
from core.models import AppendOnly, Versioned
from core.vocabulary import choices
from courses.querysets import CourseScoped, RecallScoped
from courses.timing.words import Standing
from courses.vocabulary import Channel, MessageStatus, RecallKind, RequestStatus

ALIVE: Final = (
    MessageStatus.PREPARATION,
    MessageStatus.IN_PROGRESS,
    MessageStatus.ON_HOLD,
    MessageStatus.COMPLETED,
)


class RecallPolicy(AppendOnly):
    """A version of a chain's cadence. The one with the highest number is in force."""

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="recall_policies", db_index=False
    )
    number = models.PositiveIntegerField()
    document = models.JSONField(help_text="As `courses.timing.documents` reads it")
    note = models.CharField(max_length=200, blank=True, help_text="Why it was changed")
    set_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["chain", "-number"]
        constraints = [
            models.UniqueConstraint(
                fields=["chain", "number"], name="recallpolicy_number_once_per_chain"
            ),
            positive("number", name="recallpolicy_number_positive"),
        ]

    def __str__(self) -> str:
        return f"recall policy {self.number} of chain {self.chain_id}"


class RecallPlan(models.Model):
    """When the planner has to look at a course next, and since when its patient is ready.

    `policy` is under which it last looked. Triggers set `look_at` to the epoch whenever something
    changes that the plan depends on (a window, a visit, a session, a way to reach the patient, the
    course, the patient). NULL: time alone changes nothing. They keep `clinic`, `ready_on` and
    `booked_until` too: the day on which the newest window closed (NULL while skin heals and when
    nobody is to be treated), and the end of the last visit that is booked. The front desk's list
    reads them in order, so that a page costs what it shows. `standing` is where a patient who is
    ready stands, and `last_sent_at` when an invitation about the present window last reached
    somebody: kept by triggers on messages, recalls and answers. `paused_until` is the day of the
    newest pause, which may be over. `failures` counts the looks, one after another, that came to
    nothing.
    """

    course = models.OneToOneField(
        "courses.Course", on_delete=models.PROTECT, primary_key=True, related_name="recall_plan"
    )
    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="+", db_index=False
    )
    policy = models.PositiveIntegerField(default=0)
    look_at = models.DateTimeField(null=True)
    clinic = models.ForeignKey(
        "clinics.Clinic",
        null=True,
        on_delete=models.PROTECT,
        related_name="+",
        db_index=False,
        help_text="That leads the course",
    )
    ready_on = models.DateField(null=True)
    booked_until = models.DateTimeField(null=True)
    standing = models.CharField(
        max_length=12, default=Standing.DUE, db_default=Standing.DUE, choices=choices(Standing)
    )
    last_sent_at = models.DateTimeField(null=True)
    paused_until = models.DateField(null=True)
    failures = models.PositiveSmallIntegerField(default=0, db_default=0)

    objects = CourseScoped.as_manager()

    class Meta:
        constraints = [one_of("standing", Standing, name="recallplan_standing_known")]
        indexes = [
            models.Index(fields=["course"], name="recallplan_failing", condition=Q(failures__gt=0)),
            models.Index(
                fields=["look_at", "course"],
                name="recallplan_due",
                condition=Q(look_at__isnull=False),
            ),
            models.Index(
                fields=["chain", "policy", "course"],
                name="recallplan_policy",
                condition=Q(look_at__isnull=False),
            ),
            models.Index(
                fields=["chain", "ready_on", "course"],
                name="recallplan_ready",
                include=["booked_until"],
                condition=Q(ready_on__isnull=False),
            ),
            models.Index(
                fields=["clinic", "ready_on", "course"],
                name="recallplan_ready_at_clinic",
                include=["booked_until"],
                condition=Q(ready_on__isnull=False),
            ),
            models.Index(
                fields=["chain", "standing", "ready_on", "course"],
                name="recallplan_stands",
                include=["booked_until", "last_sent_at"],
                condition=Q(ready_on__isnull=False),
            ),
            models.Index(
                fields=["clinic", "standing", "ready_on", "course"],
                name="recallplan_stands_at_clinic",
                include=["booked_until", "last_sent_at"],
                condition=Q(ready_on__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"recall plan of course {self.course_id}"


class Recall(Versioned):
    """One step of a cadence for one course, or one notice: one thing to tell a patient.

    `occasion` names what it speaks of, so that nothing is told twice: `window:<id>:<day>` for one
    closing day of a window (`:after:<appointment>` when a visit fell through since),
    `appointment:<id>:<start>` for one time of an appointment, `session:<id>` for a session.
    Steps of a cadence are written and withdrawn by the planner alone; `cadence` is the number of
    the policy that planned them. `withdrawn_by` is set when a person ended it and what would follow
    it (also after it was sent): the planner takes back only what it withdrew itself.
    """

    course = models.ForeignKey("courses.Course", on_delete=models.PROTECT, related_name="recalls")
    window = models.ForeignKey(
        "courses.HealingWindow", on_delete=models.PROTECT, null=True, related_name="recalls"
    )
    appointment = models.ForeignKey(
        "courses.Appointment", on_delete=models.PROTECT, null=True, related_name="recalls"
    )
    session = models.ForeignKey(
        "courses.Session", on_delete=models.PROTECT, null=True, related_name="recalls"
    )
    kind = models.CharField(max_length=12, choices=choices(RecallKind))
    step = models.CharField(max_length=40, help_text="Step of the cadence, or topic of a notice")
    cadence = models.PositiveIntegerField(
        default=0, help_text="Number of the recall policy that planned it; 0 is the default"
    )
    template = models.CharField(max_length=40, help_text="Which text is sent")
    occasion = models.CharField(max_length=80, help_text="What it speaks of: a key in its course")
    due_at = models.DateTimeField()
    status = models.CharField(
        max_length=20, choices=choices(RequestStatus), default=RequestStatus.ACTIVE
    )
    status_reason = models.CharField(max_length=200, blank=True)
    withdrawn_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["course", "occasion", "kind", "step"],
                name="recall_once_per_course_and_step",
            ),
            models.CheckConstraint(condition=~Q(occasion=""), name="recall_has_occasion"),
            models.CheckConstraint(
                condition=Q(kind=RecallKind.INVITATION, window__isnull=False)
                | Q(kind__in=[RecallKind.REMINDER, RecallKind.CHANGE], appointment__isnull=False)
                | Q(kind=RecallKind.AFTERCARE, session__isnull=False),
                name="recall_speaks_of_something",
            ),
            one_of("kind", RecallKind, name="recall_kind_known"),
            one_of("status", RequestStatus, name="recall_status_known"),
        ]
        indexes = [
            models.Index(fields=["status", "due_at", "id"], name="recall_status_due"),
            models.Index(fields=["due_at", "id"], name="recall_due"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"


class Message(Versioned):
    """One message on one channel. Its id is the key that makes a provider's repeat harmless.

    A worker claims the row until `lease_until`; `attempt` guards the outcome it writes. A phone
    call is `on-hold` while it waits for the front desk; `attempt` counts the calls made. At most
    one message of a recall is alive or has had its effect: the database says so. One that
    `may_have_left` is followed by no other until a provider says that it did not arrive.
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
    may_have_left = models.BooleanField(
        default=False,
        db_default=False,
        help_text="An attempt ended without a word, and nobody has told what became of it",
    )
    lease_until = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    delivered_at = models.DateTimeField(
        null=True, blank=True, help_text="When the provider said that it arrived"
    )
    provider_reference = models.CharField(max_length=200, blank=True)

    objects = RecallScoped.as_manager()

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["recall", "contact_point"], name="message_once_per_recall_and_contact"
            ),
            models.UniqueConstraint(
                fields=["recall"],
                name="message_one_effect_per_recall",
                condition=Q(status__in=ALIVE),
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
            models.Index(
                fields=["sent_at"],
                name="message_sent",
                condition=Q(status=MessageStatus.COMPLETED),
            ),
            models.Index(
                fields=["updated_at"],
                name="message_failed",
                condition=Q(status=MessageStatus.STOPPED),
            ),
            # In the order of the list, as it is and of those that ended without effect.
            models.Index(fields=["due_at", "id"], name="message_due"),
            models.Index(
                fields=["due_at", "id"],
                name="message_stopped",
                condition=Q(status=MessageStatus.STOPPED),
            ),
        ]

    def __str__(self) -> str:
        return f"message {self.pk}"
