"""That a patient's personal data were to go, who asked for it and why; and that they are gone."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.models import AppendOnly
from courses.querysets import ErasureScoped, PatientScoped


class Erasure(AppendOnly):
    """Somebody decided that the personal data of a patient go; at most once for each.

    `retained_until` is until when the chain's policy would have kept the record, where the
    decision was made in spite of that.
    """

    web_may: ClassVar = "SELECT, INSERT"

    patient = models.OneToOneField(
        "courses.Patient", on_delete=models.PROTECT, related_name="erasure"
    )
    reason = models.CharField(max_length=400, help_text="Names no patient")
    retained_until = models.DateField(null=True)
    asked_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    asked_at = models.DateTimeField()

    objects = PatientScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="erasure_has_reason"),
        ]

    def __str__(self) -> str:
        return f"erasure of patient {self.patient_id}"


class ErasureDone(AppendOnly):
    """An erasure was carried out; `rows` counts the rows that were written over, by kind."""

    web_may: ClassVar = "SELECT"

    erasure = models.OneToOneField(Erasure, on_delete=models.PROTECT, related_name="done")
    rows = models.JSONField()
    done_at = models.DateTimeField()

    objects = ErasureScoped.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"done: erasure {self.erasure_id}"
