"""Visits for service: booked, cancelled, done."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField, VisibleRowsField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer, SpanIn, span_of
from core.api.viewsets import ListMixin
from devices import selectors
from devices.api.hits import HitOut
from devices.api.part_filters import ServiceVisitFilter
from devices.models import EnergyCheck, Laser, ServicePlan, ServiceVisit
from devices.services import service_visits as services
from devices.vocabulary import ServiceVisitStatus


class ServiceVisitOut(RowSerializer):
    """A visit; `pending` while bookings stand in its way: `lock_out` keeps further ones out."""

    clinic = serializers.IntegerField(source="laser.clinic_id")
    time_zone = serializers.CharField(source="laser.clinic.time_zone")
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", help_text="Excluded.")

    class Meta:
        model = ServiceVisit
        fields = [
            "id",
            "version",
            "laser",
            "clinic",
            "time_zone",
            "start",
            "end",
            "status",
            "plans",
            "note",
            "booked_by",
            "lock_out",
            "done_at",
            "done_by",
            "outcome",
            "verification",
        ]


class ServiceVisitHitsOut(ServiceVisitOut):
    """A visit, with what is booked on the laser in that time and is to be moved."""

    hits = HitOut(many=True)

    class Meta(ServiceVisitOut.Meta):
        fields = [*ServiceVisitOut.Meta.fields, "hits"]


class ServiceVisitIn(SpanIn):
    """Book a visit."""

    laser = VisibleRelatedField(queryset=Laser.objects.all())
    plans = VisibleRowsField(
        queryset=ServicePlan.objects.all(), required=False, help_text="What is to be done"
    )
    note = serializers.CharField(max_length=400, allow_blank=True, default="")
    despite_visits = serializers.BooleanField(
        default=False, help_text="Although patients are booked then: who asks will move them"
    )


class ServiceVisitDoneIn(serializers.Serializer[Any]):
    """What was done, and the energy check it stands on."""

    outcome = serializers.CharField(max_length=400)
    energy_check = VisibleRelatedField(
        queryset=EnergyCheck.objects.all(),
        required=False,
        help_text="A passing check made since the visit began; the last one when left out",
    )


class ServiceVisitViewSet(ListMixin):
    """Service visits, the latest booked first."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = ServiceVisit.objects.select_related("laser__clinic").prefetch_related("plans")
    serializer_class = ServiceVisitOut
    filterset_class = ServiceVisitFilter
    keyset = ("-id",)
    conditional = (
        "cancel",
        "complete",
    )
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "service.write",
        "cancel": "service.write",
        "complete": "service.write",
    }

    @extend_schema(responses=ServiceVisitHitsOut)
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """One visit, with what is still booked on the laser in its time."""
        return self._present_hits(self.get_object())

    @extend_schema(request=ServiceVisitIn, responses={201: ServiceVisitHitsOut})
    @idempotent(required=True)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Book a visit: chain manager or laser safety officer there.

        The laser is reserved like for an appointment. When bookings stand in the way it is refused
        with their names; with `despite_visits` it is pending, nothing further is booked in its
        time, and it is reserved once they have been moved.
        """
        fields = self.parse(ServiceVisitIn)
        visit = services.service_visit_book(
            laser_id=fields["laser"].pk,
            span=span_of(fields),
            plans=fields.get("plans", []),
            note=fields["note"],
            despite_visits=fields["despite_visits"],
            actor=self.actor,
            now=self.now(),
        )
        return self._present_hits(visit, status=status.HTTP_201_CREATED)

    @extend_schema(request=None, responses=ServiceVisitOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def cancel(self, request: Request, **kwargs: Any) -> Response:
        """Cancel a visit: chain manager or laser safety officer there."""
        visit = services.service_visit_cancel(
            pk=self.get_object().pk,
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(visit)

    @extend_schema(request=ServiceVisitDoneIn, responses=ServiceVisitOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def complete(self, request: Request, **kwargs: Any) -> Response:
        """A visit was done; its plans count anew: chain manager or laser safety officer there.

        Needs a passing energy check made since it began.
        """
        fields = self.parse(ServiceVisitDoneIn)
        check = fields.get("energy_check")
        visit = services.service_visit_complete(
            pk=self.get_object().pk,
            outcome=fields["outcome"],
            energy_check_id=check.pk if check else None,
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(visit)

    def _present_hits(self, visit: Any, **answer: Any) -> Response:
        hits = selectors.visits_hit(
            visit.laser.resource_id,
            start=visit.period.lower,
            end=visit.period.upper,
            now=self.now(),
        )
        own = services.source_of(visit)
        pending = visit.status in {ServiceVisitStatus.PENDING, ServiceVisitStatus.BOOKED}
        visit.hits = [hit for hit in hits if hit.source != own] if pending else []
        return self.present(visit, serializer_class=ServiceVisitHitsOut, **answer)
