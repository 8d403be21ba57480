"""What patients answered about precautions, and what clinicians decided about it; both for ever."""

from django.db import models
from django.db.models import Q

from core.constraints import not_before, one_of
from core.models import AppendOnly
from core.vocabulary import choices
from courses.querysets import PatientScoped
from courses.vocabulary import PrecautionDecisionKind


class PrecautionAnswers(AppendOnly):
    """Answers of one patient to some or all questions, as given on one local day.

    A later set replaces single answers, never the row. `expires_on` is the last day on which all
    of these answers count.
    """

    patient = models.ForeignKey(
        "courses.Patient", on_delete=models.PROTECT, related_name="precaution_answers"
    )
    clinic = models.ForeignKey(
        "clinics.Clinic",
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Where they were given; its clock says on which day",
    )
    questionnaire_version = models.CharField(max_length=16)
    answers = models.JSONField(help_text="Option code or ISO date by key of the question")
    answered_on = models.DateField()
    expires_on = models.DateField()
    recorded_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()

    objects = PatientScoped.as_manager()

    class Meta:
        ordering = ["patient", "answered_on", "id"]
        constraints = [
            not_before("expires_on", "answered_on", name="precautionanswers_expire_after_answer"),
            models.CheckConstraint(condition=~Q(answers={}), name="precautionanswers_not_empty"),
        ]
        indexes = [
            models.Index(fields=["patient", "answered_on", "id"], name="precautionanswers_patient"),
        ]

    def __str__(self) -> str:
        return f"answers of patient {self.patient_id} on {self.answered_on}"


class PrecautionDecision(AppendOnly):
    """A clinician cleared one precaution of a patient, or took that back.

    Of several about one precaution the newest counts, until `valid_until` (included).
    """

    patient = models.ForeignKey(
        "courses.Patient", on_delete=models.PROTECT, related_name="precaution_decisions"
    )
    precaution = models.CharField(max_length=48, help_text="Id of the precaution")
    kind = models.CharField(max_length=8, choices=choices(PrecautionDecisionKind))
    reason = models.CharField(max_length=400)
    decided_on = models.DateField(help_text="Local date at the patient's home clinic")
    valid_until = models.DateField(null=True, blank=True, help_text="Included; none: without end")
    decided_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    decided_at = models.DateTimeField()

    objects = PatientScoped.as_manager()

    class Meta:
        ordering = ["patient", "id"]
        constraints = [
            one_of("kind", PrecautionDecisionKind, name="precautiondecision_kind_known"),
            models.CheckConstraint(condition=~Q(reason=""), name="precautiondecision_has_reason"),
            not_before("valid_until", "decided_on", name="precautiondecision_ends_after_decision"),
        ]
        indexes = [
            models.Index(fields=["patient", "precaution", "-id"], name="precautiondecision_newest"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.precaution} of patient {self.patient_id}"
