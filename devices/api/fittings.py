"""Which handpiece is on which laser, and since when."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from devices import selectors
from devices.api.filters import FittingFilter
from devices.api.hits import HitOut
from devices.models import Fitting, Handpiece, Laser
from devices.services import fittings as services


class FittingOut(RowSerializer):
    """A handpiece is on a laser from `start` to `end`; without an end, it still is."""

    clinic = serializers.IntegerField(source="laser.clinic_id")
    time_zone = serializers.CharField(source="laser.clinic.time_zone")
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", allow_null=True, help_text="Excluded.")

    class Meta:
        model = Fitting
        fields = ["id", "version", "laser", "handpiece", "clinic", "time_zone", "start", "end"]


class FittingHitsOut(FittingOut):
    """A fitting, with what is booked on the handpiece from the change on: does it still fit?"""

    hits = HitOut(many=True)

    class Meta(FittingOut.Meta):
        fields = [*FittingOut.Meta.fields, "hits"]


class FittingIn(serializers.Serializer[Any]):
    """Fit a handpiece to a laser."""

    laser = VisibleRelatedField(queryset=Laser.objects.all())
    handpiece = VisibleRelatedField(queryset=Handpiece.objects.all())
    fitted_at = AwareDateTimeField(required=False, help_text="Now when left out")


class FittingEndIn(serializers.Serializer[Any]):
    """Take the handpiece off."""

    ended_at = AwareDateTimeField(required=False, help_text="Now when left out")


class FittingViewSet(ListMixin, RetrieveMixin):
    """Fittings of handpieces to the chain's lasers, the latest first."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = Fitting.objects.select_related("laser__clinic")
    serializer_class = FittingOut
    filterset_class = FittingFilter
    keyset = ("-id",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "fitting.write",
        "end": "fitting.write",
    }

    @extend_schema(request=FittingIn, responses={201: FittingHitsOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Fit a handpiece to a laser: laser operator or laser safety officer there.

        Its fitting to another laser ends at the same instant (the role is needed there too).
        """
        now = self.now()
        fields = self.parse(FittingIn)
        fitting = services.fitting_start(
            laser_id=fields["laser"].pk,
            handpiece_id=fields["handpiece"].pk,
            at=fields.get("fitted_at", now),
            actor=self.actor,
            now=now,
        )
        return self._present_hits(
            fitting, since=fitting.period.lower, status=status.HTTP_201_CREATED
        )

    @extend_schema(request=FittingEndIn, responses=FittingHitsOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def end(self, request: Request, **kwargs: Any) -> Response:
        """Take a handpiece off its laser: laser operator or laser safety officer there."""
        now = self.now()
        at = self.parse(FittingEndIn).get("ended_at", now)
        fitting = services.fitting_end(pk=self.get_object().pk, at=at, actor=self.actor, now=now)
        return self._present_hits(fitting, since=at)

    def _present_hits(self, fitting: Any, *, since: Any, **answer: Any) -> Response:
        fitting.hits = selectors.visits_hit(
            fitting.handpiece.resource_id, start=since, end=None, now=self.now()
        )
        return self.present(fitting, serializer_class=FittingHitsOut, **answer)
