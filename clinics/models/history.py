"""What was changed, and who has read whose record: two tables that only grow."""

from typing import ClassVar

from django.contrib.postgres.indexes import BrinIndex
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from clinics.vocabulary import ChangeOperation
from core.models import AppendOnly
from core.vocabulary import choices


class Change(AppendOnly):
    """One change of one row, written by the triggers of `core.history` and by nothing else.

    `before` and `after` hold the columns that changed; the whole row when it is new or gone. The
    keys are plain numbers: what was changed may be gone, and its history stays.
    """

    web_may: ClassVar = "SELECT"

    at = models.DateTimeField()
    transaction = models.BigIntegerField(help_text="The same for all that was changed at once")
    chain = models.ForeignKey(
        "clinics.Chain",
        on_delete=models.DO_NOTHING,
        related_name="+",
        db_constraint=False,
        db_index=False,
    )
    record = models.CharField(max_length=48, help_text="Kind of the row")
    row_id = models.BigIntegerField()
    patient_id = models.BigIntegerField(null=True)
    laser_id = models.BigIntegerField(null=True)
    appointment_id = models.BigIntegerField(null=True)
    operation = models.CharField(max_length=1, choices=choices(ChangeOperation))
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    staff_id = models.BigIntegerField(null=True, help_text="Null: no member of staff asked for it")
    request_id = models.CharField(max_length=128)
    reason = models.CharField(max_length=400)
    database_role = models.CharField(max_length=63)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(
                fields=["patient_id", "id"],
                name="change_of_patient",
                condition=Q(patient_id__isnull=False),
            ),
            models.Index(
                fields=["laser_id", "id"],
                name="change_of_laser",
                condition=Q(laser_id__isnull=False),
            ),
            models.Index(
                fields=["appointment_id", "id"],
                name="change_of_appointment",
                condition=Q(appointment_id__isnull=False),
            ),
            # Rows come in the order of time, so that a small index finds a period.
            BrinIndex(fields=["at"], name="change_time"),
        ]

    def __str__(self) -> str:
        return f"{self.operation} {self.record} {self.row_id}"


class RecordRead(AppendOnly):
    """A patient's record was shown to a member of staff, alone or on a page with others."""

    web_may: ClassVar = "SELECT, INSERT"

    at = models.DateTimeField()
    chain = models.ForeignKey(
        "clinics.Chain",
        on_delete=models.DO_NOTHING,
        related_name="+",
        db_constraint=False,
        db_index=False,
    )
    patient_id = models.BigIntegerField()
    staff_id = models.BigIntegerField()
    operation = models.CharField(max_length=80, help_text="Name of the address that showed it")
    request_id = models.CharField(max_length=128)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(fields=["patient_id", "id"], name="recordread_of_patient"),
            BrinIndex(fields=["at"], name="recordread_time"),
        ]

    def __str__(self) -> str:
        return f"patient {self.patient_id} by {self.staff_id}"
