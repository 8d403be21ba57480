"""Staff, what they may do, and when they work."""

from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import (
    ArrayField,
    DateRangeField,
    DateTimeRangeField,
    RangeOperators,
)
from django.contrib.postgres.indexes import GistIndex
from django.db import models
from django.db.models.functions import Coalesce

from clinics.querysets import ChainScoped, ShiftQuerySet, StaffScoped
from clinics.vocabulary import CredentialKind, Role
from core.constraints import bounded, bounded_start, one_of
from core.models import Versioned
from core.vocabulary import choices


class StaffMember(Versioned):
    """A person who works for the chain; `user` is their sign-in, where they have one."""

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="staff")
    resource = models.OneToOneField(
        "clinics.Resource", on_delete=models.PROTECT, related_name="staff_member"
    )
    user = models.OneToOneField(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="staff_member",
    )
    name = models.CharField(max_length=120)
    active = models.BooleanField(default=True)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Credential(Versioned):
    """What a member of staff is trained and allowed to do, and from when to when.

    `wavelengths_nm` narrows it (an empty list: any wavelength). `devices.LaserAuthorisation`
    rows narrow it to laser models (no row: any model).
    """

    staff_member = models.ForeignKey(
        StaffMember, on_delete=models.CASCADE, related_name="credentials"
    )
    kind = models.CharField(max_length=32, choices=choices(CredentialKind))
    wavelengths_nm = ArrayField(models.PositiveIntegerField(), default=list, blank=True)
    valid_during = DateRangeField()
    reference = models.CharField(max_length=120, blank=True, help_text="Certificate number")

    objects = StaffScoped.as_manager()

    class Meta:
        ordering = ["staff_member", "kind", "valid_during"]
        constraints = [
            one_of("kind", CredentialKind, name="credential_kind_known"),
            bounded_start("valid_during", name="credential_valid_from"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.valid_during}"


class Shift(Versioned):
    """A member of staff works at a clinic for a period."""

    staff_member = models.ForeignKey(StaffMember, on_delete=models.CASCADE, related_name="shifts")
    clinic = models.ForeignKey("clinics.Clinic", on_delete=models.CASCADE, related_name="shifts")
    period = DateTimeRangeField()

    objects = ShiftQuerySet.as_manager()

    class Meta:
        ordering = ["period"]
        constraints = [
            ExclusionConstraint(
                name="shift_no_overlap",
                expressions=[
                    ("staff_member", RangeOperators.EQUAL),
                    ("period", RangeOperators.OVERLAPS),
                ],
            ),
            bounded("period", name="shift_period_bounded"),
        ]
        indexes = [GistIndex(fields=["clinic", "period"], name="shift_clinic_period")]

    def __str__(self) -> str:
        return f"{self.staff_member_id} {self.period}"


class Membership(Versioned):
    """A role of a member of staff, at one clinic or (without a clinic) in the whole chain."""

    staff_member = models.ForeignKey(
        StaffMember, on_delete=models.CASCADE, related_name="memberships"
    )
    clinic = models.ForeignKey(
        "clinics.Clinic",
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        related_name="memberships",
    )
    role = models.CharField(max_length=32, choices=choices(Role))
    valid_during = DateTimeRangeField()

    objects = StaffScoped.as_manager()

    class Meta:
        ordering = ["staff_member", "role"]
        constraints = [
            one_of("role", Role, name="membership_role_known"),
            bounded_start("valid_during", name="membership_valid_from"),
            # A role taken away must not live on in a second row that says the same.
            ExclusionConstraint(
                name="membership_once_at_a_time",
                expressions=[
                    ("staff_member", RangeOperators.EQUAL),
                    (Coalesce("clinic", 0), RangeOperators.EQUAL),
                    ("role", RangeOperators.EQUAL),
                    ("valid_during", RangeOperators.OVERLAPS),
                ],
            ),
        ]

    def __str__(self) -> str:
        return f"{self.staff_member_id} {self.role}"
