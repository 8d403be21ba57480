"""Patients and the ways to reach them."""

from typing import Any, Final

from django.db.models import Prefetch
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import AwareDateTimeField, TimeZoneField, VisibleRelatedField, WallTimeField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import GuardedIn, GuardedOut
from core.vocabulary import choices
from courses.api.base import NeededReasonIn, RecordViewSet, version_if_given
from courses.models import ContactPoint, Patient
from courses.policy import FIELDS
from courses.services.consents import Said, contact_point_opt_out
from courses.services.patients import (
    contact_point_change,
    contact_point_create,
    contact_point_reinstate,
    patient_change,
    patient_create,
)
from courses.timing.words import ConsentDecision, MessagePurpose
from courses.vocabulary import Channel, SkinType

LANGUAGE = r"^[a-z]{2,3}(-[A-Z]{2})?$"
CONTACT_POINTS: Final = Prefetch("contact_points", ContactPoint.objects.order_by("rank", "id"))


class ContactPointOut(serializers.ModelSerializer[ContactPoint]):
    """One way to reach a patient, and what for. The consents behind it stand at `/consents`."""

    allowed = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(MessagePurpose)),
        read_only=True,
        help_text="Purposes that the patient agreed to and did not opt out of",
    )
    opted_out = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(MessagePurpose)),
        read_only=True,
        help_text="Purposes that the patient opted out of",
    )
    quiet_from = WallTimeField(read_only=True, allow_null=True)
    quiet_until = WallTimeField(read_only=True, allow_null=True)

    class Meta:
        model = ContactPoint
        fields = (
            "id",
            "version",
            "patient",
            "channel",
            "address",
            "rank",
            "allowed",
            "opted_out",
            "quiet_from",
            "quiet_until",
            "time_zone",
            "state",
            "off_reason",
            "off_at",
        )
        read_only_fields = fields


class ContactPointChangeIn(serializers.Serializer[Any]):
    """What can change of a contact point. What the patient allows is recorded at `/consents`."""

    address = serializers.CharField(
        max_length=254,
        help_text="E-mail address, or phone number with its country code (or one of the country "
        "of the home clinic)",
    )
    rank = serializers.IntegerField(min_value=1, max_value=99, required=False, default=1)
    quiet_from = WallTimeField(
        required=False, allow_null=True, help_text="In `time_zone`; the span may pass midnight"
    )
    quiet_until = WallTimeField(required=False, allow_null=True)
    time_zone = TimeZoneField(
        required=False, allow_blank=True, help_text="Empty: that of the home clinic"
    )


class FirstConsentIn(serializers.Serializer[Any]):
    """The consent to messages that comes with a new contact point."""

    purposes = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(MessagePurpose)),
        min_length=1,
        help_text="What messages may be sent for",
    )
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=120, help_text="How the patient said so"
    )
    decided_at = AwareDateTimeField(required=False, help_text="Left out: now")


class OptOutIn(serializers.Serializer[Any]):
    """What the patient wants no more messages for; everything unless purposes are named."""

    purposes = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(MessagePurpose)),
        default=lambda: [code.value for code in MessagePurpose],
    )
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=120, default="told the clinic", help_text="How the patient said so"
    )


class ContactPointIn(ContactPointChangeIn):
    """A new contact point. Without `consent` nothing is sent to it until there is one."""

    consent = FirstConsentIn(required=False)

    patient = VisibleRelatedField(queryset=Patient.objects.all())
    channel = serializers.ChoiceField(choices=choices(Channel))


class PatientOut(GuardedOut, serializers.ModelSerializer[Patient]):
    """A patient. `contact_points` is null for roles that need not reach patients."""

    guarded = FIELDS["PatientOut"]

    contact_points = serializers.SerializerMethodField()

    class Meta:
        model = Patient
        fields = (
            "id",
            "version",
            "home_clinic",
            "given_name",
            "family_name",
            "birth_date",
            "skin_type",
            "smoker",
            "gold_therapy_ever",
            "deceased",
            "language",
            "erased_at",
            "contact_points",
            "created_at",
        )
        read_only_fields = fields

    @extend_schema_field(ContactPointOut(many=True, allow_null=True))
    def get_contact_points(self, patient: Patient) -> list[dict[str, Any]] | None:
        """Shown to whoever may read contact points."""
        if not self.context["request"].actor.may("contact_point.read"):
            return None
        return list(ContactPointOut(patient.contact_points.all(), many=True).data)


class PatientIn(GuardedIn, serializers.Serializer[Any]):
    """A patient, with as little as the job needs."""

    guarded = FIELDS["PatientOut"]

    home_clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    given_name = serializers.CharField(max_length=80)
    family_name = serializers.CharField(max_length=80)
    birth_date = serializers.DateField()
    skin_type = serializers.ChoiceField(choices=choices(SkinType), help_text="Fitzpatrick, 1 to 6")
    smoker = serializers.BooleanField(default=False)
    gold_therapy_ever = serializers.BooleanField(
        default=False, help_text="Gold medication at any time in life: never treated"
    )
    deceased = serializers.BooleanField(default=False)
    language = serializers.RegexField(LANGUAGE, max_length=8, default="en")


class PatientFilter(filters.FilterSet):
    """Whose home clinic. Names and birth dates are sought by POST (`/patient-searches`)."""

    home_clinic = WholeNumberFilter()

    class Meta:
        model = Patient
        fields = ("home_clinic",)


class ContactPointFilter(filters.FilterSet):
    """Whose, and how."""

    patient = WholeNumberFilter()
    channel = filters.ChoiceFilter(choices=choices(Channel))

    class Meta:
        model = ContactPoint
        fields = ("patient", "channel")


@extend_schema_view(
    list=extend_schema(summary="List patients"),
    retrieve=extend_schema(summary="Show a patient"),
)
class PatientViewSet(RecordViewSet):
    """Patients of the chain."""

    queryset = Patient.objects.prefetch_related(CONTACT_POINTS)
    serializer_class = PatientOut
    filterset_class = PatientFilter
    orderings = {"name": ("family_name", "given_name", "id"), "id": ("id",)}
    policy = {
        "list": "patient.read",
        "retrieve": "patient.read",
        "create": "patient.write",
        "partial_update": "patient.write",
    }

    @extend_schema(request=PatientIn, responses={201: PatientOut}, summary="Add a patient")
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Add a patient. For the front desk, treating clinicians and integrators."""
        patient = patient_create(fields=self.parse(PatientIn), actor=self.actor, now=self.now())
        return self.present(patient, status=201)

    @extend_schema(request=PatientIn, responses=PatientOut, summary="Change a patient")
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change a patient; healing windows follow what they depend on.

        For the front desk, treating clinicians and integrators; only a treating clinician takes
        back that gold medication was taken.
        """
        patient = patient_change(
            patient_id=int(pk),
            changes=self.changes(PatientIn),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(patient)


@extend_schema_view(
    list=extend_schema(summary="List contact points"),
    retrieve=extend_schema(summary="Show a contact point"),
)
class ContactPointViewSet(RecordViewSet):
    """Ways to reach patients."""

    queryset = ContactPoint.objects.all()
    serializer_class = ContactPointOut
    filterset_class = ContactPointFilter
    conditional = ("reinstate",)
    conditional_if_told = ("opt_out",)
    policy = {
        "list": "contact_point.read",
        "retrieve": "contact_point.read",
        "create": "contact_point.write",
        "partial_update": "contact_point.write",
        "opt_out": "contact_point.write",
        "reinstate": "contact_point.write",
    }

    @extend_schema(
        request=ContactPointIn, responses={201: ContactPointOut}, summary="Add a contact point"
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Add an e-mail address or phone number, checked and brought into one form.

        For the front desk, treating clinicians and integrators.
        """
        fields = self.parse(ContactPointIn)
        consent = fields.pop("consent", None)
        point = contact_point_create(
            patient_id=fields.pop("patient").pk,
            fields=fields,
            consent=_said(consent, decision=ConsentDecision.GIVEN) if consent else None,
            actor=self.actor,
            now=self.now(),
        )
        return self.present(point, status=201)

    @extend_schema(
        request=ContactPointChangeIn, responses=ContactPointOut, summary="Change a contact point"
    )
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change address, rank, quiet hours or zone.

        For the front desk, treating clinicians and integrators.
        """
        point = contact_point_change(
            contact_point_id=int(pk),
            changes=self.changes(ContactPointChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(point)

    @extend_schema(request=OptOutIn, responses=ContactPointOut, summary="Record an opt-out")
    @action(detail=True, methods=["post"], url_path="opt-out")
    @idempotent(required=False)
    def opt_out(self, request: Request, pk: str) -> Response:
        """No more messages on this channel, at any address of the patient; safe to repeat.

        Counts at once, also for what waits to be sent. For the front desk, treating clinicians
        and integrators.
        """
        # A repeat changes nothing, and shows the row all the same.
        self.shown = [int(pk)]
        told = self.parse(OptOutIn)
        contact_point_opt_out(
            contact_point_id=int(pk),
            said=_said(told, decision=ConsentDecision.WITHDRAWN),
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(request),
        )
        return self.present(self.get_queryset().get(pk=pk))

    @extend_schema(
        request=NeededReasonIn,
        responses=ContactPointOut,
        summary="Turn a contact point on again",
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def reinstate(self, request: Request, pk: str) -> Response:
        """An address that bounced or was refused works again, as somebody says, and why.

        Recalls are planned again; what the patient opted out of stays so. 422 when it is not
        off. For the front desk, treating clinicians and integrators.
        """
        self.parse(NeededReasonIn)
        point = contact_point_reinstate(
            contact_point_id=int(pk),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(point)


def _said(told: dict[str, Any], *, decision: ConsentDecision) -> Said:
    return Said(
        decision=decision,
        source=told["source"],
        purposes=tuple(MessagePurpose(code) for code in told["purposes"]),
        decided_at=told.get("decided_at"),
    )
