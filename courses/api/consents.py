"""Consents to messages: the ledger of what patients allowed and when they said no."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.models import Consent, ContactPoint
from courses.services.consents import Said, consent_record
from courses.timing.words import ConsentDecision, MessagePurpose
from courses.vocabulary import Channel


class ConsentOut(serializers.ModelSerializer[Consent]):
    """What a patient said about messages for one purpose at one address; kept for ever."""

    patient = serializers.IntegerField(source="contact_point.patient_id", read_only=True)
    channel = serializers.ChoiceField(
        source="contact_point.channel", choices=choices(Channel), read_only=True
    )

    class Meta:
        model = Consent
        fields = (
            "id",
            "contact_point",
            "patient",
            "channel",
            "address",
            "purpose",
            "decision",
            "decided_at",
            "source",
            "recorded_by",
            "recorded_at",
        )
        read_only_fields = fields


class ConsentIn(serializers.Serializer[Any]):
    """What a patient said. The newest by `decided_at` counts."""

    contact_point = VisibleRelatedField(queryset=ContactPoint.objects.all())
    purpose = serializers.ChoiceField(choices=choices(MessagePurpose))
    decision = serializers.ChoiceField(choices=choices(ConsentDecision))
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=120, help_text="How the patient said so, such as a form or a call"
    )
    decided_at = AwareDateTimeField(required=False, help_text="Left out: now")


class ConsentFilter(filters.FilterSet):
    """Of whom, on which channel, for what."""

    patient = WholeNumberFilter(field_name="contact_point__patient")
    contact_point = WholeNumberFilter()
    channel = filters.ChoiceFilter(field_name="contact_point__channel", choices=choices(Channel))
    purpose = filters.ChoiceFilter(choices=choices(MessagePurpose))
    decision = filters.ChoiceFilter(choices=choices(ConsentDecision))

    class Meta:
        model = Consent
        fields = ("contact_point", "purpose", "decision")


@extend_schema_view(
    list=extend_schema(summary="List consents"),
    retrieve=extend_schema(summary="Show a consent"),
)
class ConsentViewSet(ListMixin, RetrieveMixin):
    """The proof of what patients allowed: rows are added, never changed."""

    queryset = Consent.objects.select_related("contact_point")
    serializer_class = ConsentOut
    filterset_class = ConsentFilter
    http_method_names = ["get", "post", "head", "options"]
    policy = {
        "list": "contact_point.read",
        "retrieve": "contact_point.read",
        "create": "contact_point.write",
    }

    @extend_schema(request=ConsentIn, responses={201: ConsentOut}, summary="Record a consent")
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Record that a patient allows messages for a purpose, or wants no more of them.

        An opt-out counts for every address of the same channel, and at once: also for what waits
        to be sent. For the front desk, treating clinicians and integrators.
        """
        told = self.parse(ConsentIn)
        point = told["contact_point"].pk
        written = consent_record(
            contact_point_id=point,
            said=Said(
                decision=ConsentDecision(told["decision"]),
                source=told["source"],
                purposes=(MessagePurpose(told["purpose"]),),
                decided_at=told.get("decided_at"),
            ),
            actor=self.actor,
            now=self.now(),
        )
        own = next(one for one in written if one.contact_point_id == point)
        return self.present(self.get_queryset().get(pk=own.pk), status=201)
