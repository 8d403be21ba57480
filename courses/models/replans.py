"""Re-plans: what broke the day, each run that looked for new slots, and what it proposes."""

from django.contrib.postgres.fields import ArrayField, DateTimeRangeField
from django.db import models
from django.db.models import F, Q

from clinics.querysets import ChainScoped
from core.constraints import bounded, one_of
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import ReplanRunScoped, ReplanScoped
from courses.vocabulary import OutageKind, ReplanRowStatus, ReplanStatus, TaskStatus

TO_SOLVE = (TaskStatus.REQUESTED, TaskStatus.IN_PROGRESS)


class Replan(Versioned):
    """New slots for all appointments that outages hit, proposed together and applied together.

    `clinic_ids`: clinics that patients are sent to besides their own. `days`: how long after the
    last visit that is hit slots are looked for. `notice_hours`: how long before its new time a
    patient must know of it; a visit may keep its old time all the same. `policy`: points, as
    given; `hits`: appointments that were hit when it was asked for.
    """

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="replans")
    status = models.CharField(
        max_length=12, choices=choices(ReplanStatus), default=ReplanStatus.PLANNING
    )
    status_reason = models.CharField(max_length=400, blank=True)
    reason = models.CharField(max_length=200, blank=True, help_text="What happened, in words")
    clinic_ids = ArrayField(models.BigIntegerField(), default=list)
    days = models.PositiveSmallIntegerField()
    notice_hours = models.PositiveSmallIntegerField()
    policy = models.JSONField(default=dict)
    hits = models.PositiveIntegerField()
    requested_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    applied_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    applied_at = models.DateTimeField(null=True)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            one_of("status", ReplanStatus, name="replan_status_known"),
            models.CheckConstraint(
                condition=Q(status=ReplanStatus.APPLIED, applied_at__isnull=False)
                | (~Q(status=ReplanStatus.APPLIED) & Q(applied_at__isnull=True)),
                name="replan_applied_has_time",
            ),
        ]
        indexes = [models.Index(fields=["chain", "-id"], name="replan_chain_newest")]

    def __str__(self) -> str:
        return f"re-plan {self.pk}"


class ReplanOutage(models.Model):
    """One thing that is not to be had for a period; `subject_id` is its primary key."""

    replan = models.ForeignKey(Replan, on_delete=models.CASCADE, related_name="outages")
    kind = models.CharField(max_length=12, choices=choices(OutageKind))
    subject_id = models.BigIntegerField()
    period = DateTimeRangeField()

    objects = ReplanScoped.as_manager()

    class Meta:
        ordering = ["replan", "id"]
        constraints = [
            one_of("kind", OutageKind, name="replanoutage_kind_known"),
            bounded("period", name="replanoutage_period_bounded"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject_id}"


class ReplanRun(models.Model):
    """One search for new slots. The newest is what its re-plan proposes.

    A worker claims it until `lease_until` and says from time to time that it lives; `attempt`
    guards what it writes. `follows`: the run from whose slots this one starts. `answer` says how
    good the plan is proven; `policy` is what it was made by, with every default.
    """

    replan = models.ForeignKey(Replan, on_delete=models.CASCADE, related_name="runs")
    number = models.PositiveSmallIntegerField(help_text="Counts the runs of the re-plan")
    status = models.CharField(
        max_length=12, choices=choices(TaskStatus), default=TaskStatus.REQUESTED
    )
    status_reason = models.CharField(max_length=400, blank=True)
    follows = models.ForeignKey("self", on_delete=models.CASCADE, null=True, related_name="+")
    seed = models.PositiveIntegerField()
    seconds = models.PositiveSmallIntegerField(help_text="Wall time at most")
    attempt = models.PositiveSmallIntegerField(default=0)
    lease_until = models.DateTimeField(null=True)
    progress = models.JSONField(default=dict)
    policy = models.JSONField(default=dict)
    answer = models.JSONField(default=dict)
    requested_at = models.DateTimeField()
    started_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)

    objects = ReplanScoped.as_manager()

    class Meta:
        ordering = ["replan", "-number"]
        constraints = [
            one_of("status", TaskStatus, name="replanrun_status_known"),
            models.UniqueConstraint(
                fields=["replan", "number"], name="replanrun_number_once_per_replan"
            ),
            models.UniqueConstraint(
                fields=["replan"],
                condition=Q(status__in=TO_SOLVE),
                name="replanrun_one_at_a_time",
            ),
            models.CheckConstraint(
                condition=~Q(status=TaskStatus.IN_PROGRESS) | Q(lease_until__isnull=False),
                name="replanrun_in_progress_is_leased",
            ),
        ]
        indexes = [
            models.Index(
                F("lease_until").asc(nulls_first=True),
                "id",
                name="replanrun_to_solve",
                condition=Q(status__in=TO_SOLVE),
            )
        ]

    def __str__(self) -> str:
        return f"run {self.number} of re-plan {self.replan_id}"


class ReplanRow(models.Model):
    """One appointment in a run: the visit it had, the one it is given, or why there is none.

    `appointment_version` is what it was when the run looked. `score` has points in parts.
    `recall` tells the patient.
    """

    run = models.ForeignKey(ReplanRun, on_delete=models.CASCADE, related_name="rows")
    appointment = models.ForeignKey(
        "courses.Appointment", on_delete=models.PROTECT, related_name="replan_rows"
    )
    appointment_version = models.PositiveIntegerField()
    status = models.CharField(max_length=12, choices=choices(ReplanRowStatus))
    old = models.JSONField()
    new = models.JSONField(null=True)
    score = models.JSONField(default=dict)
    reasons = models.JSONField(default=list)
    recall = models.ForeignKey(
        "courses.Recall", on_delete=models.PROTECT, null=True, related_name="replan_rows"
    )

    objects = ReplanRunScoped.as_manager()

    class Meta:
        ordering = ["run", "id"]
        constraints = [
            one_of("status", ReplanRowStatus, name="replanrow_status_known"),
            models.UniqueConstraint(
                fields=["run", "appointment"], name="replanrow_appointment_once_per_run"
            ),
            models.CheckConstraint(
                condition=Q(
                    status__in=[ReplanRowStatus.PLACED, ReplanRowStatus.MOVED], new__isnull=False
                )
                | (
                    ~Q(status__in=[ReplanRowStatus.PLACED, ReplanRowStatus.MOVED])
                    & Q(new__isnull=True)
                    & ~Q(reasons=[])
                ),
                name="replanrow_placed_or_says_why",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.appointment_id} in {self.run_id}"
