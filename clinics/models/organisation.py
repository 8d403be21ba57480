"""A chain, its clinics and their rooms."""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainQuerySet, ChainScoped, ClinicScoped
from clinics.vocabulary import Role
from core.constraints import positive
from core.models import Versioned
from core.vocabulary import choices


class Chain(Versioned):
    """The organisation: everything belongs to one chain."""

    name = models.CharField(max_length=120, unique=True)
    healing_policy = models.JSONField(
        default=dict,
        blank=True,
        help_text="Lengthened parameters of healing rules, by rule id; a rule is never shortened",
    )
    search_policy = models.JSONField(
        default=dict, blank=True, help_text="Weights of the parts of a slot's score"
    )
    device_policy = models.JSONField(
        default=dict,
        blank=True,
        help_text="Service and energy checks of lasers: values by name",
    )
    retention_policy = models.JSONField(
        default=dict,
        db_default={},
        blank=True,
        help_text="How long records and traces are kept: values by name",
    )
    session_multiplier = models.DecimalField(
        max_digits=4,
        decimal_places=2,
        default=1,
        help_text="Sessions per point of the six-parameter scale (published use: 1.0)",
    )
    holds_per_caller = models.PositiveSmallIntegerField(
        default=5, help_text="How many slots one caller may keep held at a time"
    )

    second_factor_roles = ArrayField(
        models.CharField(max_length=32, choices=choices(Role)),
        default=list,
        db_default=[],
        blank=True,
        help_text="Roles that count only for who signed in with a second factor",
    )

    objects = ChainQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(session_multiplier__gte="0.1", session_multiplier__lte="3"),
                name="chain_session_multiplier_plausible",
            ),
            positive("holds_per_caller", name="chain_holds_per_caller_positive"),
        ]

    def __str__(self) -> str:
        return self.name


class Clinic(Versioned):
    """One place of the chain, with its own clock."""

    chain = models.ForeignKey(Chain, on_delete=models.PROTECT, related_name="clinics")
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, help_text="IANA name")
    country = models.CharField(max_length=2, help_text="ISO 3166-1 alpha-2")
    subdivision = models.CharField(max_length=8, blank=True, help_text="ISO 3166-2 part")
    phone = models.CharField(
        max_length=16, blank=True, default="", db_default="", help_text="E.164; for patients"
    )
    active = models.BooleanField(default=True)

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["chain", "name"], name="clinic_name_once_per_chain")
        ]

    def __str__(self) -> str:
        return self.name


class Room(Versioned):
    """A treatment room; laser-controlled ones name the wavelengths they are cleared for."""

    clinic = models.ForeignKey(Clinic, on_delete=models.PROTECT, related_name="rooms")
    resource = models.OneToOneField(
        "clinics.Resource", on_delete=models.PROTECT, related_name="room"
    )
    name = models.CharField(max_length=80)
    laser_controlled = models.BooleanField(default=True)
    cleared_wavelengths_nm = ArrayField(models.PositiveIntegerField(), default=list, blank=True)
    active = models.BooleanField(default=True)

    objects = ClinicScoped.as_manager()

    class Meta:
        ordering = ["clinic", "name"]
        constraints = [
            models.UniqueConstraint(fields=["clinic", "name"], name="room_name_once_per_clinic"),
            models.CheckConstraint(
                condition=Q(laser_controlled=True) | Q(cleared_wavelengths_nm=[]),
                name="room_cleared_only_if_controlled",
            ),
        ]

    def __str__(self) -> str:
        return self.name
