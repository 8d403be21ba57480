"""The healing window of a session, every version of it, and what clinicians decided about it."""

from django.db import models
from django.db.models import Q

from core.constraints import not_before, one_of
from core.models import AppendOnly, Versioned
from core.vocabulary import choices
from courses.querysets import CourseScoped, WindowScoped
from courses.vocabulary import DecisionKind, WindowState


class HealingWindow(Versioned):
    """The span after a session in which the area must not be treated again.

    `earliest_on` is a local date at the clinic and `closes_at` the instant at which it begins;
    both are empty while no date can be said (held, never).
    """

    session = models.OneToOneField(
        "courses.Session", on_delete=models.PROTECT, related_name="healing_window"
    )
    course = models.ForeignKey(
        "courses.Course", on_delete=models.PROTECT, related_name="healing_windows", db_index=False
    )
    state = models.CharField(max_length=8, choices=choices(WindowState))
    opened_on = models.DateField()
    earliest_on = models.DateField(null=True, blank=True)
    advised_on = models.DateField(null=True, blank=True)
    closes_at = models.DateTimeField(null=True, blank=True)
    shortened = models.BooleanField(
        default=False, help_text="A clinician shortened this window once; never unset"
    )
    number = models.PositiveIntegerField(default=1, help_text="Number of the newest version")

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("state", WindowState, name="healingwindow_state_known"),
            not_before("earliest_on", "opened_on", name="healingwindow_closes_after_opening"),
            models.CheckConstraint(
                condition=Q(state__in=[WindowState.HELD, WindowState.NEVER])
                | Q(earliest_on__isnull=False, advised_on__isnull=False, closes_at__isnull=False),
                name="healingwindow_open_has_dates",
            ),
        ]
        indexes = [
            models.Index(
                fields=["closes_at", "id"],
                name="healingwindow_to_close",
                condition=Q(state=WindowState.OPEN),
            ),
            models.Index(fields=["course", "-id"], name="healingwindow_course"),
        ]

    def __str__(self) -> str:
        return f"healing window {self.pk}"


class HealingWindowVersion(AppendOnly):
    """A window as it was computed once: the facts, and what each rule at its version said."""

    window = models.ForeignKey(HealingWindow, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveIntegerField()
    state = models.CharField(max_length=8, choices=choices(WindowState))
    earliest_on = models.DateField(null=True)
    advised_on = models.DateField(null=True)
    facts = models.JSONField()
    outcomes = models.JSONField()
    cause = models.CharField(max_length=64, help_text="What made it: `<table>:<id>`")
    created_at = models.DateTimeField(auto_now_add=True)

    objects = WindowScoped.as_manager()

    class Meta:
        ordering = ["window", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["window", "number"], name="healingwindowversion_number_once"
            ),
            one_of("state", WindowState, name="healingwindowversion_state_known"),
        ]

    def __str__(self) -> str:
        return f"version {self.number} of window {self.window_id}"


class HealingDecision(AppendOnly):
    """A clinician's release of holds or shortening of one window; kept for ever."""

    window = models.ForeignKey(HealingWindow, on_delete=models.PROTECT, related_name="decisions")
    kind = models.CharField(max_length=8, choices=choices(DecisionKind))
    rule_ids = models.JSONField(default=list, help_text="The holds released; empty for all")
    earliest_on = models.DateField(null=True, help_text="The date a shortening allows")
    window_number = models.PositiveIntegerField(
        default=1,
        help_text="The version that the clinician saw: what came later was not decided about",
    )
    reason = models.CharField(max_length=400)
    decided_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    decided_at = models.DateTimeField()

    objects = WindowScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("kind", DecisionKind, name="healingdecision_kind_known"),
            models.CheckConstraint(condition=~Q(reason=""), name="healingdecision_has_reason"),
            models.CheckConstraint(
                condition=Q(kind=DecisionKind.RELEASE, earliest_on__isnull=True)
                | Q(kind=DecisionKind.SHORTEN, earliest_on__isnull=False),
                name="healingdecision_shortening_has_date",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of window {self.window_id}"
