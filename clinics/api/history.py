"""What was changed and who read it: timelines, lists for managers, an export for auditors."""

from collections.abc import Collection
from typing import Any, ClassVar

from django.apps import apps
from django.conf import settings
from django.http import Http404, StreamingHttpResponse
from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiParameter,
    OpenApiResponse,
    extend_schema,
    extend_schema_view,
)
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from clinics.api.filters import IdFilter
from clinics.models import Change, RecordRead
from clinics.policy import BOOKING_RECORDS, MEDICAL_COLUMNS
from clinics.services.history import history_lines
from clinics.vocabulary import ChangeOperation
from core.api.fields import AwareDateTimeField
from core.api.filters import InstantFilter, parsed_query
from core.api.ndjson import MEDIA_TYPE, NdjsonRenderer
from core.api.views import FallowView
from core.api.viewsets import ListMixin
from core.db import carried_on
from core.reads import note_reads
from core.request_id import current_request_id, request_id
from core.vocabulary import choices


class ChangeOut(serializers.ModelSerializer[Change]):
    """One change of one row: what stood in its columns before and after."""

    at = AwareDateTimeField()
    row = serializers.IntegerField(source="row_id")
    patient = serializers.IntegerField(source="patient_id", allow_null=True)
    laser = serializers.IntegerField(source="laser_id", allow_null=True)
    appointment = serializers.IntegerField(source="appointment_id", allow_null=True)
    staff_member = serializers.IntegerField(
        source="staff_id", allow_null=True, help_text="Null: no request of a member of staff"
    )
    before = serializers.DictField(allow_null=True, help_text="Null for a row that is new")
    after = serializers.DictField(allow_null=True, help_text="Null for a row that is gone")

    class Meta:
        model = Change
        fields = (
            "id",
            "at",
            "transaction",
            "record",
            "row",
            "operation",
            "before",
            "after",
            "patient",
            "laser",
            "appointment",
            "staff_member",
            "request_id",
            "reason",
            "database_role",
        )
        read_only_fields = fields

    def to_representation(self, instance: Change) -> dict[str, Any]:
        """Null in the place of a medical detail to who may not see it in the row itself.

        Of a patient's rows they see why only where the row says so too: what somebody gave as the
        reason of a request may be one.
        """
        shown: dict[str, Any] = super().to_representation(instance)
        if self.context["request"].actor.may("medical_detail.read"):
            return shown
        said = (shown["after"] or {}).get("status_reason")
        if instance.patient_id is not None and shown["reason"] != said:
            shown["reason"] = ""
        medical = MEDICAL_COLUMNS.get(instance.record, frozenset())
        for side in ("before", "after") if medical else ():
            held: dict[str, Any] = shown[side] or {}
            shown[side] = held | dict.fromkeys(medical & held.keys()) or None
        return shown


class RecordReadOut(serializers.ModelSerializer[RecordRead]):
    """A patient's record was shown to somebody, alone or on a page with others."""

    at = AwareDateTimeField()
    patient = serializers.IntegerField(source="patient_id")
    staff_member = serializers.IntegerField(source="staff_id")

    class Meta:
        model = RecordRead
        fields = ("id", "at", "patient", "staff_member", "operation", "request_id")
        read_only_fields = fields


class ChangeFilters(FilterSet):
    """By kind, row, person, request and time."""

    start = InstantFilter(field_name="at", lookup_expr="gte")
    end = InstantFilter(field_name="at", lookup_expr="lt")
    record = CharFilter()
    row = IdFilter(field_name="row_id")
    staff_member = IdFilter(field_name="staff_id")
    request_id = CharFilter()
    operation = ChoiceFilter(choices=choices(ChangeOperation))

    class Meta:
        model = Change
        fields = ("record",)


class RecordReadFilters(FilterSet):
    """By patient, person, request and time."""

    start = InstantFilter(field_name="at", lookup_expr="gte")
    end = InstantFilter(field_name="at", lookup_expr="lt")
    patient = IdFilter(field_name="patient_id")
    staff_member = IdFilter(field_name="staff_id")
    request_id = CharFilter()

    class Meta:
        model = RecordRead
        fields = ("patient",)


@extend_schema_view(
    list=extend_schema(
        summary="List changes",
        description="Every change of clinical, device and access data of the chain, the newest "
        "first. For chain managers.",
    )
)
class HistoryViewSet(ListMixin):
    """Changes of the whole chain."""

    queryset = Change.objects.all()
    serializer_class = ChangeOut
    filterset_class = ChangeFilters
    keyset = ("-id",)
    policy = {"list": "history.read"}
    shows = settings.FALLOW_HISTORY_SUBJECTS["patient"]

    def shown_keys(self) -> Collection[int]:
        """The patients whose records had the changes of the page."""
        page: list[Change] = getattr(self.paginator, "rows", [])
        return {row.patient_id for row in page if row.patient_id is not None}


@extend_schema_view(
    list=extend_schema(
        summary="List reads of patients' records",
        description="Who was shown whose record, through which address and when, the newest "
        "first. For chain managers.",
    )
)
class RecordReadViewSet(ListMixin):
    """Reads of records."""

    queryset = RecordRead.objects.all()
    serializer_class = RecordReadOut
    filterset_class = RecordReadFilters
    keyset = ("-id",)
    policy = {"list": "record_read.read"}


class _Timeline(ListMixin):
    """Changes of one thing and of all that hangs on it, the newest first."""

    subject: ClassVar[str]
    queryset = Change.objects.all()
    serializer_class = ChangeOut
    filterset_class = ChangeFilters
    keyset = ("-id",)

    def get_queryset(self) -> Any:
        """Those of the thing that the address names; 404 for another chain's."""
        rows = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return rows
        model: Any = apps.get_model(settings.FALLOW_HISTORY_SUBJECTS[self.subject])
        key = self.kwargs["pk"]
        if not model.objects.visible_to(self.actor).filter(pk=key).exists():
            raise Http404
        return rows.filter(**{f"{self.subject}_id": key})


@extend_schema_view(
    list=extend_schema(
        summary="A patient's history",
        description="Changes of the patient and of whatever belongs to the record: contact "
        "points and consents, tattoos and grades, courses, sessions, observations, healing "
        "windows, appointments, recalls. For chain managers and treating clinicians.",
    )
)
class PatientHistoryViewSet(_Timeline):
    """Timeline of a patient."""

    subject = "patient"
    shows = "courses.Patient"
    policy = {"list": "history.of_patient"}

    def shown_keys(self) -> Collection[int]:
        return [int(self.kwargs["pk"])]


@extend_schema_view(
    list=extend_schema(
        summary="A laser's history",
        description="Changes of the laser, its lock-outs, fittings, checks, counters, parts and "
        "services; nothing of patients. For all but front desk and integrators.",
    )
)
class LaserHistoryViewSet(_Timeline):
    """Timeline of a laser."""

    subject = "laser"
    policy = {"list": "history.of_laser"}

    def get_queryset(self) -> Any:
        """Only what is no part of a patient's record."""
        return super().get_queryset().filter(patient_id__isnull=True)


@extend_schema_view(
    list=extend_schema(
        summary="An appointment's history",
        description="Changes of the appointment and of messages about it; for those who may read "
        "sessions, of its session too. For chain managers, front desk, operators and treating "
        "clinicians.",
    )
)
class AppointmentHistoryViewSet(_Timeline):
    """Timeline of an appointment."""

    subject = "appointment"
    shows = "courses.Appointment"
    policy = {"list": "history.of_appointment"}

    def get_queryset(self) -> Any:
        """Without medical detail for those who may not read sessions."""
        rows = super().get_queryset()
        return rows if self.actor.may("session.read") else rows.filter(record__in=BOOKING_RECORDS)

    def shown_keys(self) -> Collection[int]:
        return [int(self.kwargs["pk"])]


class ExportQuery(serializers.Serializer[Any]):
    """The period to export."""

    start = AwareDateTimeField()
    end = AwareDateTimeField(help_text="Excluded.")


class HistoryExportView(FallowView):
    """All changes and reads of a period, for an auditor."""

    policy = {"get": "history.export"}
    untagged = ("get",)
    extra_query_params = ("start", "end")
    renderer_classes = (JSONRenderer, NdjsonRenderer)

    @extend_schema(
        parameters=[
            OpenApiParameter("start", OpenApiTypes.DATETIME, required=True),
            OpenApiParameter("end", OpenApiTypes.DATETIME, required=True),
        ],
        responses={(200, MEDIA_TYPE): OpenApiResponse(OpenApiTypes.STR)},
        summary="Export the history of a period",
    )
    def get(self, request: Request) -> StreamingHttpResponse:
        """Lines of JSON: changes, then reads, then how many and their SHA-256.

        The digest is over the bytes of all lines before the last. What comes after this request
        is not among them, such as the notes that it reads records itself. For a chain manager of
        the whole chain.
        """
        query = parsed_query(ExportQuery, request)
        now, asked = self.now(), current_request_id()

        def note(patients: set[int]) -> None:
            with request_id(asked):
                note_reads(
                    apps.get_model(settings.FALLOW_HISTORY_SUBJECTS["patient"]),
                    keys=patients,
                    actor=self.actor,
                    operation="history-export",
                    now=now,
                )

        lines = history_lines(
            chain_id=self.actor.chain_id,
            start=query["start"],
            end=min(query["end"], now),
            note=note,
        )
        answer = StreamingHttpResponse(carried_on(lines), content_type=MEDIA_TYPE)
        answer.headers["X-Accel-Buffering"] = "no"
        return answer
