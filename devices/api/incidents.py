"""Incidents and laser safety officers over HTTP."""

from typing import Any, Final

from django.db.models import Prefetch
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic, Room, StaffMember
from core.api.fields import AwareDateTimeField, DayField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import GuardedOut, RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from devices.api.duty_filters import IncidentFilter, OfficerFilter
from devices.api.fields import ChangeIn
from devices.models import Incident, IncidentClock, IncidentNote, Laser, OfficerAppointment
from devices.safety.duty_rules import CODE
from devices.safety.vocabulary import IncidentKind
from devices.services import incidents as services
from devices.services import officers
from devices.vocabulary import ClockStatus, IncidentActuality, IncidentStatus

SETTLED: Final = [ClockStatus.COMPLETED, ClockStatus.CANCELLED]
CLOSED: Final = [IncidentStatus.COMPLETED, IncidentStatus.ENTERED_IN_ERROR]


class IncidentClockOut(RowSerializer):
    """What the incident demands until when (codes of FHIR Task)."""

    overdue = serializers.SerializerMethodField()
    follows = serializers.CharField(source="follows.code", allow_null=True, default=None)

    class Meta:
        model = IncidentClock
        fields = [
            "code",
            "text",
            "due_at",
            "overdue",
            "follows",
            "status",
            "settled_at",
            "settled_by",
            "reference",
            "source",
        ]

    def get_overdue(self, clock: IncidentClock) -> bool:
        running = clock.status == ClockStatus.REQUESTED
        return bool(running and self.context["view"].now() >= clock.due_at)


class IncidentNoteOut(RowSerializer):
    """What was written about it; it stays."""

    class Meta:
        model = IncidentNote
        fields = ["id", "written_by", "written_at", "text"]


class IncidentOut(GuardedOut, RowSerializer):
    """An incident with its clocks and notes; who may not read it is not told what it was."""

    guarded = dict.fromkeys(("summary", "outcome", "clocks", "notes"), "incident.read")

    clocks = IncidentClockOut(many=True)
    notes = IncidentNoteOut(many=True)

    class Meta:
        model = Incident
        fields = [
            "id",
            "version",
            "clinic",
            "laser",
            "room",
            "kind",
            "actuality",
            "status",
            "occurred_at",
            "known_at",
            "summary",
            "reported_by",
            "closed_at",
            "closed_by",
            "outcome",
            "clocks",
            "notes",
        ]


class IncidentIn(serializers.Serializer[Any]):
    """What happened, or nearly did. Name no patient."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    laser = VisibleRelatedField(queryset=Laser.objects.all(), allow_null=True, default=None)
    room = VisibleRelatedField(queryset=Room.objects.all(), allow_null=True, default=None)
    kind = serializers.ChoiceField(choices=choices(IncidentKind))
    actuality = serializers.ChoiceField(choices=choices(IncidentActuality))
    occurred_at = AwareDateTimeField()
    known_at = AwareDateTimeField(required=False, help_text="Its clocks run from then; else now")
    summary = serializers.CharField(max_length=1000, help_text="Name no patient")


class IncidentNoteIn(serializers.Serializer[Any]):
    """What is to be added."""

    text = serializers.CharField(max_length=4000)


class ClockSettledIn(serializers.Serializer[Any]):
    """That a clock was met, and where that is shown; or that it is not needed, and why."""

    code = serializers.RegexField(rf"\A{CODE.pattern}\Z")
    status = serializers.ChoiceField(choices=[(one.value, one.value) for one in SETTLED])
    at = AwareDateTimeField(required=False, help_text="Now when left out")
    reference = serializers.CharField(max_length=400)


class IncidentClosedIn(serializers.Serializer[Any]):
    """How it ended, or why it was entered in error."""

    status = serializers.ChoiceField(choices=[(one.value, one.value) for one in CLOSED])
    outcome = serializers.CharField(max_length=1000)


@extend_schema_view(
    list=extend_schema(summary="List incidents"), retrieve=extend_schema(summary="Show an incident")
)
class IncidentViewSet(ListMixin, RetrieveMixin):
    """Incidents, the latest recorded first."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = Incident.objects.prefetch_related(
        Prefetch("clocks", queryset=IncidentClock.objects.select_related("follows")), "notes"
    )
    serializer_class = IncidentOut
    filterset_class = IncidentFilter
    keyset = ("-id",)
    conditional = ("close",)
    policy = {
        "list": "incident.read",
        "retrieve": "incident.read",
        "create": "incident.write",
        "notes": "incident.write",
        "settle": "incident.close",
        "close": "incident.close",
    }

    @extend_schema(request=IncidentIn, responses={201: IncidentOut}, summary="Record an incident")
    @idempotent(required=True)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Record an incident and start its clocks: everyone who works there."""
        now = self.now()
        fields = {"known_at": now, **self.parse(IncidentIn)}
        incident = services.incident_record(
            clinic=fields.pop("clinic"), fields=fields, actor=self.actor, now=now
        )
        return self._answer(incident.pk, status=status.HTTP_201_CREATED)

    @extend_schema(
        request=IncidentNoteIn, responses={201: IncidentOut}, summary="Write about an incident"
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=True)
    def notes(self, request: Request, **kwargs: Any) -> Response:
        """Add a note, which stays: everyone who works there."""
        pk = self.get_object().pk
        services.incident_note_add(
            pk=pk, text=self.parse(IncidentNoteIn)["text"], actor=self.actor, now=self.now()
        )
        return self._answer(pk, status=status.HTTP_201_CREATED)

    @extend_schema(
        request=ClockSettledIn, responses=IncidentOut, summary="Settle a clock of an incident"
    )
    @action(detail=True, methods=["post"], url_path="settle-clock")
    @idempotent(required=False)
    def settle(self, request: Request, **kwargs: Any) -> Response:
        """Say that a clock was met, or is not needed: laser safety officer there."""
        pk, now = self.get_object().pk, self.now()
        given = self.parse(ClockSettledIn)
        services.incident_clock_settle(
            pk=pk,
            code=given["code"],
            status=ClockStatus(given["status"]),
            at=given.get("at", now),
            reference=given["reference"],
            actor=self.actor,
            now=now,
        )
        return self._answer(pk)

    @extend_schema(request=IncidentClosedIn, responses=IncidentOut, summary="Close an incident")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def close(self, request: Request, **kwargs: Any) -> Response:
        """Close it, once its clocks are settled; or say that it was in error: safety officer."""
        pk = self.get_object().pk
        given = self.parse(IncidentClosedIn)
        services.incident_close(
            pk=pk,
            status=IncidentStatus(given["status"]),
            outcome=given["outcome"],
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self._answer(pk)

    def _answer(self, pk: int, **answer: Any) -> Response:
        return self.present(self.get_queryset().get(pk=pk), **answer)


class OfficerOut(RowSerializer):
    """Who is laser safety officer of a clinic, or deputy, and from when until when."""

    name = serializers.CharField(source="staff_member.name")
    valid_from = DayField(source="valid_during.lower")
    valid_until = DayField(source="valid_during.upper", allow_null=True, help_text="Excluded.")

    class Meta:
        model = OfficerAppointment
        fields = [
            "id",
            "version",
            "clinic",
            "staff_member",
            "name",
            "deputy",
            "valid_from",
            "valid_until",
            "appointed_by",
            "note",
        ]


class OfficerIn(serializers.Serializer[Any]):
    """Who is to be laser safety officer, where and when."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    staff_member = VisibleRelatedField(queryset=StaffMember.objects.all())
    deputy = serializers.BooleanField(default=False)
    valid_from = DayField()
    valid_until = DayField(allow_null=True, default=None, help_text="Excluded.")
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class OfficerEndIn(ChangeIn):
    """Until when."""

    valid_until = DayField(required=False, help_text="Excluded.")


@extend_schema_view(
    list=extend_schema(summary="List laser safety officers"),
    retrieve=extend_schema(summary="Show an appointment as laser safety officer"),
)
class OfficerViewSet(ListMixin, RetrieveMixin):
    """Laser safety officers and their deputies, clinic by clinic."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = OfficerAppointment.objects.select_related("staff_member")
    serializer_class = OfficerOut
    filterset_class = OfficerFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "officer.appoint",
        "partial_update": "officer.appoint",
    }

    @extend_schema(
        request=OfficerIn, responses={201: OfficerOut}, summary="Appoint a laser safety officer"
    )
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Appoint an officer or a deputy, who holds the credential for it: chain manager there."""
        row = officers.officer_appoint(**self.parse(OfficerIn), actor=self.actor)
        return self.present(row, status=status.HTTP_201_CREATED)

    @extend_schema(
        request=OfficerEndIn, responses=OfficerOut, summary="Say until when an officer is so"
    )
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """End an appointment, or let it last longer: chain manager there."""
        row = officers.officer_end(
            pk=self.get_object().pk,
            valid_until=self.parse(OfficerEndIn).get("valid_until"),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(row)
