"""The waiting list."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import VisibleRelatedField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.slots import ClinicWishesIn, TechniqueIn, TimeWishIn, clinics_of, wishes_of
from courses.models import AcceptedClinic, Course, WaitingListEntry
from courses.services.waiting_list import Wait, waiting_list_add, waiting_list_remove
from courses.vocabulary import WaitingStatus


class AcceptedClinicOut(serializers.ModelSerializer[AcceptedClinic]):
    """A clinic the patient would come to; a preference of 1 is best."""

    class Meta:
        model = AcceptedClinic
        fields = ("clinic", "preference")
        read_only_fields = fields


class EntryOut(serializers.ModelSerializer[WaitingListEntry]):
    """A course that waits for a visit, or for an earlier one than it has."""

    patient = serializers.IntegerField(source="course.patient_id", read_only=True)
    clinics = AcceptedClinicOut(many=True, read_only=True)
    wishes = TimeWishIn(many=True, read_only=True)
    technique = TechniqueIn(read_only=True)

    class Meta:
        model = WaitingListEntry
        fields = (
            "id",
            "version",
            "course",
            "patient",
            "status",
            "status_reason",
            "since",
            "clinics",
            "wishes",
            "technique",
            "notice_hours",
            "note",
            "entered_by",
        )
        read_only_fields = fields


class EntryIn(serializers.Serializer[Any]):
    """What a patient waits for. Without wishes: any time."""

    course = VisibleRelatedField(queryset=Course.objects.all())
    clinics = ClinicWishesIn(min_length=1, max_length=250)
    wishes: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=TimeWishIn(), required=False, max_length=20
    )
    technique = TechniqueIn(required=False)
    notice_hours = serializers.IntegerField(
        min_value=0,
        max_value=336,
        default=0,
        help_text="How long before a visit the patient must know of it",
    )
    note = serializers.CharField(max_length=400, allow_blank=True, default="")

    def validate_clinics(self, clinics: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len({one["clinic"].pk for one in clinics}) < len(clinics):
            raise serializers.ValidationError("A clinic is named once.", code="twice")
        return clinics


class EntryFilter(filters.FilterSet):
    """Of whom, where and in which state."""

    course = WholeNumberFilter()
    patient = WholeNumberFilter(field_name="course__patient")
    clinic = WholeNumberFilter(field_name="clinics__clinic")
    status = filters.MultipleChoiceFilter(choices=choices(WaitingStatus))

    class Meta:
        model = WaitingListEntry
        fields = ("course",)


@extend_schema_view(
    list=extend_schema(summary="List the waiting list"),
    retrieve=extend_schema(summary="Show an entry of the waiting list"),
)
class WaitingListViewSet(ListMixin, RetrieveMixin):
    """The waiting list of the chain, longest waiting first."""

    queryset = WaitingListEntry.objects.select_related("course").prefetch_related("clinics")
    serializer_class = EntryOut
    filterset_class = EntryFilter
    keyset = ("since", "id")
    policy = {
        "list": "waiting_list.read",
        "retrieve": "waiting_list.read",
        "create": "waiting_list.write",
        "destroy": "waiting_list.write",
    }

    @extend_schema(
        request=EntryIn, responses={201: EntryOut}, summary="Put a course on the waiting list"
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Wait for a visit, or for an earlier one. For the front desk and clinicians."""
        body = self.parse(EntryIn)
        entry = waiting_list_add(
            course_id=body["course"].pk,
            wait=Wait(
                clinics=clinics_of(body),
                wishes=wishes_of(body),
                technique=dict(body.get("technique", {})),
                notice_hours=body["notice_hours"],
                note=body["note"],
            ),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(self.get_queryset().get(pk=entry.pk), status=201)

    @extend_schema(responses={204: None}, summary="Take an entry off the waiting list")
    def destroy(self, request: Request, pk: str) -> Response:
        """The entry stays in the records, as cancelled. For the front desk and clinicians."""
        waiting_list_remove(
            entry_id=int(pk), actor=self.actor, expected_version=expected_version(request)
        )
        return Response(status=204)
