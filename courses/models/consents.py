"""What patients said about messages: a ledger, one row for each purpose of each decision."""

from django.db import models
from django.db.models import Q

from core.constraints import one_of
from core.encryption import EncryptedTextField
from core.models import AppendOnly
from core.vocabulary import choices
from courses.querysets import ContactPointScoped
from courses.timing.words import ConsentDecision, MessagePurpose


class Consent(AppendOnly):
    """A patient allowed messages for a purpose, or wants no more of them, at one address.

    The newest by `decided_at` (then by key) counts. `address`, encrypted, is the address as it was
    then. `recorded_by` is empty where the patient answered without anybody of the clinic.
    """

    contact_point = models.ForeignKey(
        "courses.ContactPoint", on_delete=models.PROTECT, related_name="consents", db_index=False
    )
    purpose = models.CharField(max_length=12, choices=choices(MessagePurpose))
    decision = models.CharField(max_length=12, choices=choices(ConsentDecision))
    decided_at = models.DateTimeField(help_text="When the patient said so")
    source = models.CharField(max_length=120, help_text="How the patient said so")
    address = EncryptedTextField(
        max_length=254, default="", db_default="", db_column="address_sealed"
    )
    recorded_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, null=True, related_name="+"
    )
    recorded_at = models.DateTimeField()

    objects = ContactPointScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("purpose", MessagePurpose, name="consent_purpose_known"),
            one_of("decision", ConsentDecision, name="consent_decision_known"),
            models.CheckConstraint(condition=~Q(source=""), name="consent_has_source"),
        ]
        indexes = [
            models.Index(
                fields=["contact_point", "purpose", "-decided_at", "-id"], name="consent_newest"
            )
        ]

    def __str__(self) -> str:
        return f"{self.decision} {self.purpose} by contact point {self.contact_point_id}"
