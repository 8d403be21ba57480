"""A patient, with as little personal data as the job needs, and how to reach them."""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of
from core.encryption import BlindIndexField, EncryptedTextField
from core.models import Versioned
from core.spelling import SpellingField
from core.vocabulary import choices
from courses.querysets import PatientScoped
from courses.timing.words import ContactState
from courses.vocabulary import Channel, SkinType


class Patient(Versioned):
    """A person with tattoos to be treated. The chain, not a clinic, knows the patient."""

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="patients", db_index=False
    )
    home_clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="patients"
    )
    resource = models.OneToOneField(
        "clinics.Resource", on_delete=models.PROTECT, related_name="patient"
    )
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    given_name_spelling = SpellingField("given_name")
    family_name_spelling = SpellingField("family_name")
    birth_date = models.DateField()
    skin_type = models.PositiveSmallIntegerField(
        choices=choices(SkinType), help_text="Fitzpatrick, 1 to 6"
    )
    smoker = models.BooleanField(default=False)
    gold_therapy_ever = models.BooleanField(default=False)
    deceased = models.BooleanField(default=False)
    language = models.CharField(max_length=8, default="en")
    erased_at = models.DateTimeField(
        null=True,
        editable=False,
        help_text="Erasure was asked for: the record is closed, and goes on under a pseudonym",
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [one_of("skin_type", SkinType, name="patient_skin_type_known")]
        indexes = [
            models.Index(
                fields=["chain", "family_name", "given_name", "id"], name="patient_chain_name"
            ),
            models.Index(fields=["chain", "family_name_spelling"], name="patient_family_spelling"),
            models.Index(fields=["chain", "given_name_spelling"], name="patient_given_spelling"),
            models.Index(fields=["chain", "birth_date"], name="patient_birth_date"),
        ]

    def __str__(self) -> str:
        return f"patient {self.pk}"


class ContactPoint(Versioned):
    """One way to reach a patient, and what for.

    `allowed` and `opted_out` are the purposes of the newest decisions in the `Consent` ledger: a
    trigger keeps them, nobody writes them. An address that bounced or was refused is off, until
    it is changed or reinstated. Quiet hours are the patient's local wall time; the span may pass
    midnight. The address is encrypted; whose it is its blind index finds.
    """

    patient = models.ForeignKey(
        Patient, on_delete=models.CASCADE, related_name="contact_points", db_index=False
    )
    channel = models.CharField(max_length=8, choices=choices(Channel))
    address = EncryptedTextField(
        max_length=254, default="", db_default="", db_column="address_sealed"
    )
    address_index = BlindIndexField(default="", db_default="")
    rank = models.PositiveSmallIntegerField(default=1, help_text="1 is tried first")
    allowed = ArrayField(
        models.CharField(max_length=12),
        default=list,
        editable=False,
        help_text="Purposes that the patient agreed to and did not opt out of",
    )
    opted_out = ArrayField(
        models.CharField(max_length=12),
        default=list,
        editable=False,
        help_text="Purposes that the patient opted out of",
    )
    quiet_from = models.TimeField(null=True, blank=True)
    quiet_until = models.TimeField(null=True, blank=True)
    time_zone = models.CharField(
        max_length=64, blank=True, help_text="IANA name; empty: that of the home clinic"
    )

    state = models.CharField(
        max_length=8, choices=choices(ContactState), default=ContactState.WORKING, editable=False
    )
    off_reason = models.CharField(max_length=60, blank=True, editable=False)
    off_at = models.DateTimeField(null=True, editable=False)

    objects = PatientScoped.as_manager()

    class Meta:
        ordering = ["patient", "rank", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "channel", "address_index"],
                condition=~Q(address_index=""),
                name="contactpoint_address_once",
            ),
            one_of("channel", Channel, name="contactpoint_channel_known"),
            one_of("state", ContactState, name="contactpoint_state_known"),
            models.CheckConstraint(
                condition=Q(state=ContactState.WORKING, off_at__isnull=True, off_reason="")
                | (Q(state=ContactState.OFF, off_at__isnull=False) & ~Q(off_reason="")),
                name="contactpoint_off_says_why",
            ),
            models.CheckConstraint(
                condition=Q(quiet_from__isnull=True, quiet_until__isnull=True)
                | Q(quiet_from__isnull=False, quiet_until__isnull=False),
                name="contactpoint_quiet_both_or_none",
            ),
        ]
        indexes = [
            models.Index(fields=["address_index"], name="contactpoint_address_index"),
            models.Index(fields=["patient", "rank", "id"], name="contactpoint_of_patient"),
        ]

    @property
    def indexed_value(self) -> str:
        """What the blind index is of."""
        return self.address

    @property
    def index_realm(self) -> int:
        """An address has another index in each chain."""
        return self.patient.chain_id

    def __str__(self) -> str:
        return f"{self.channel} of patient {self.patient_id}"
