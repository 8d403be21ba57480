"""Energy meters and the certificates of their own calibration."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import DayField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import DeviceStatus, choices
from devices.api.fields import ChangeIn
from devices.api.part_filters import MeterFilter
from devices.models import Meter
from devices.services import checks as services


class MeterOut(RowSerializer):
    """A meter and its certificate in force."""

    class Meta:
        model = Meter
        fields = [
            "id",
            "version",
            "name",
            "serial",
            "certificate_number",
            "certified_on",
            "certificate_valid_until",
            "status",
        ]


class MeterIn(serializers.Serializer[Any]):
    """A new meter."""

    name = serializers.CharField(max_length=120)
    serial = serializers.CharField(max_length=80)
    certificate_number = serializers.CharField(max_length=80)
    certified_on = DayField()
    certificate_valid_until = DayField(help_text="Last day on which it counts")


class MeterChangeIn(ChangeIn, MeterIn):
    """What is to be different, such as a new certificate."""

    status = serializers.ChoiceField(choices=choices(DeviceStatus))


class MeterViewSet(ListMixin, RetrieveMixin):
    """Energy meters of the chain."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = Meter.objects.all()
    serializer_class = MeterOut
    filterset_class = MeterFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "meter.write",
        "partial_update": "meter.write",
    }

    @extend_schema(request=MeterIn, responses={201: MeterOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new meter: chain manager or laser safety officer."""
        meter = services.meter_create(fields=self.parse(MeterIn), actor=self.actor, now=self.now())
        return self.present(meter, status=status.HTTP_201_CREATED)

    @extend_schema(request=MeterChangeIn, responses=MeterOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change a meter: manager or safety officer. Checks keep the certificate of their day."""
        meter = services.meter_change(
            pk=self.get_object().pk,
            changes=self.parse(MeterChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(meter)
