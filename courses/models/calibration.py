"""One look at how well a chain's courses were predicted, and what clinicians made of it."""

from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of
from core.models import AppendOnly, Versioned
from core.vocabulary import choices
from courses.querysets import RunScoped
from courses.vocabulary import CalibrationDecisionKind, CalibrationStatus


class CalibrationRun(Versioned):
    """Predicted against observed, with the prior it proposes.

    The accepted run is the chain's prior for estimates; at most one is. An inconclusive one
    proposes nothing: there was too little data, or no fit.
    """

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="calibration_runs"
    )
    number = models.PositiveIntegerField(help_text="Counts the runs of the chain")
    status = models.CharField(max_length=16, choices=choices(CalibrationStatus))
    courses = models.PositiveIntegerField(help_text="Courses looked at")
    reached = models.PositiveIntegerField(help_text="Courses that reached their goal")
    multiplier = models.FloatField(null=True, help_text="Proposed sessions per point")
    coefficient_of_variation = models.FloatField(null=True, help_text="Proposed spread")
    prior_version = models.CharField(max_length=40, help_text="The prior that predicted")
    report = models.JSONField()
    requested_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["chain", "number"]
        constraints = [
            one_of("status", CalibrationStatus, name="calibrationrun_status_known"),
            models.UniqueConstraint(
                fields=["chain", "number"], name="calibrationrun_number_once_per_chain"
            ),
            models.UniqueConstraint(
                fields=["chain"],
                condition=Q(status=CalibrationStatus.ACCEPTED),
                name="calibrationrun_one_accepted",
            ),
            models.CheckConstraint(
                condition=Q(status=CalibrationStatus.INCONCLUSIVE)
                | Q(
                    multiplier__gt=0,
                    multiplier__lte=3,
                    coefficient_of_variation__gte=0.05,
                    coefficient_of_variation__lte=1,
                ),
                name="calibrationrun_proposes_a_prior",
            ),
        ]

    def __str__(self) -> str:
        return f"calibration {self.number} of chain {self.chain_id}"


class CalibrationDecision(AppendOnly):
    """A clinician accepted, refused or withdrew a run; kept for ever."""

    run = models.ForeignKey(CalibrationRun, on_delete=models.PROTECT, related_name="decisions")
    kind = models.CharField(max_length=8, choices=choices(CalibrationDecisionKind))
    reason = models.CharField(max_length=400)
    decided_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    decided_at = models.DateTimeField()

    objects = RunScoped.as_manager()

    class Meta:
        ordering = ["run", "id"]
        constraints = [
            one_of("kind", CalibrationDecisionKind, name="calibrationdecision_kind_known"),
            models.CheckConstraint(condition=~Q(reason=""), name="calibrationdecision_has_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.run_id}"
