"""Lock-outs: placed by whoever finds a fault, released by the laser safety officer."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin
from core.vocabulary import choices
from devices import selectors
from devices.api.filters import LockOutFilter
from devices.api.hits import HitOut
from devices.models import EmissionLine, EnergyCheck, Laser, LockOut
from devices.services import lock_outs as services
from devices.vocabulary import LockOutReason


class LockOutOut(RowSerializer):
    """A laser may not fire from `start` to `end`; without an end, until it is released.

    With a line, that line alone. `verification` is the energy check it was released on.
    """

    clinic = serializers.IntegerField(source="laser.clinic_id")
    time_zone = serializers.CharField(source="laser.clinic.time_zone")
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", allow_null=True, help_text="Excluded.")

    class Meta:
        model = LockOut
        fields = [
            "id",
            "version",
            "laser",
            "line",
            "clinic",
            "time_zone",
            "start",
            "end",
            "reason",
            "note",
            "placed_by",
            "released_by",
            "release_note",
            "verification",
            "created_at",
        ]


class LockOutHitsOut(LockOutOut):
    """A lock-out, with what is booked on the laser in that time and is to be moved."""

    hits = HitOut(many=True)

    class Meta(LockOutOut.Meta):
        fields = [*LockOutOut.Meta.fields, "hits"]


class LockOutIn(serializers.Serializer[Any]):
    """Lock a laser out: from now unless `start` is given, until released unless `end` is."""

    laser = VisibleRelatedField(queryset=Laser.objects.all())
    line = VisibleRelatedField(
        queryset=EmissionLine.objects.all(),
        allow_null=True,
        default=None,
        help_text="That line alone, from now until it is released",
    )
    start = AwareDateTimeField(required=False, help_text="Now when left out")
    end = AwareDateTimeField(allow_null=True, default=None, help_text="Excluded.")
    reason = serializers.ChoiceField(choices=choices(LockOutReason))
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class LockOutReleaseIn(serializers.Serializer[Any]):
    """What was checked before the laser may fire again."""

    note = serializers.CharField(max_length=400)
    energy_check = VisibleRelatedField(
        queryset=EnergyCheck.objects.all(),
        required=False,
        help_text="The passing check made since; the last one when left out",
    )


class LockOutViewSet(ListMixin):
    """Lock-outs of the chain's lasers, the latest first."""

    http_method_names = ["get", "post", "delete", "head", "options"]
    queryset = LockOut.objects.select_related("laser__clinic")
    serializer_class = LockOutOut
    filterset_class = LockOutFilter
    keyset = ("-id",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "lock_out.write",
        "destroy": "lock_out.release",
        "release": "lock_out.release",
    }

    @extend_schema(responses=LockOutHitsOut)
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """One lock-out, with what is still booked on the laser in that time."""
        return self._present_hits(self.get_object())

    @extend_schema(request=LockOutIn, responses={201: LockOutHitsOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Lock a laser out, and learn which bookings that hits. All but the front desk may.

        One that overlaps another lock-out of the laser is refused. Nothing is cancelled: the
        front desk moves what is hit.
        """
        now = self.now()
        fields = self.parse(LockOutIn)
        lock_out = services.lock_out_place(
            laser_id=fields.pop("laser").pk, **{"start": now, **fields}, actor=self.actor, now=now
        )
        return self._present_hits(lock_out, status=status.HTTP_201_CREATED)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Withdraw a lock-out that has not begun: laser safety officer of the clinic."""
        services.lock_out_withdraw(
            pk=self.get_object().pk,
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return Response(status=status.HTTP_204_NO_CONTENT)

    @extend_schema(request=LockOutReleaseIn, responses=LockOutOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def release(self, request: Request, **kwargs: Any) -> Response:
        """End a lock-out now, with a note on what was checked: laser safety officer there.

        After a failed energy check, a service, and what else the chain's policy names, a passing
        energy check made since the lock-out began is needed.
        """
        fields = self.parse(LockOutReleaseIn)
        check = fields.get("energy_check")
        lock_out = services.lock_out_release(
            pk=self.get_object().pk,
            note=fields["note"],
            energy_check_id=check.pk if check else None,
            actor=self.actor,
            now=self.now(),
        )
        return self.present(lock_out)

    def _present_hits(self, lock_out: Any, **answer: Any) -> Response:
        lock_out.hits = selectors.visits_hit(
            lock_out.laser.resource_id,
            start=lock_out.period.lower,
            end=lock_out.period.upper,
            now=self.now(),
        )
        return self.present(lock_out, serializer_class=LockOutHitsOut, **answer)
