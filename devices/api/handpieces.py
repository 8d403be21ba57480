"""Handpieces: what they pass, where they are, how far they are through their life."""

from typing import Any

from django.db.models import Prefetch
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import ComputedOut, RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import DeviceStatus, choices
from devices import selectors
from devices.api.computed import CAUTION, LIFE
from devices.api.fields import MAX_COUNTER, ChangeIn, SpotsField, WholeField
from devices.api.filters import HandpieceFilter
from devices.models import EmissionLine, Fitting, Handpiece
from devices.services import handpieces as services


class HandpieceLineBrief(RowSerializer):
    """A line the handpiece passes."""

    class Meta:
        model = EmissionLine
        fields = ["id", "wavelength_nm", "pulse_min_ns", "pulse_max_ns"]


class OnLaserBrief(serializers.Serializer[Any]):
    """The laser the handpiece is on now."""

    fitting = serializers.IntegerField(source="pk")
    laser = serializers.IntegerField(source="laser_id")
    start = AwareDateTimeField(source="period.lower")


class HandpieceOut(RowSerializer):
    """A handpiece as it is now; `clinic` is where it stands."""

    clinic = serializers.IntegerField(source="resource.clinic_id", allow_null=True)
    lines = HandpieceLineBrief(many=True)
    fitted = serializers.SerializerMethodField()

    class Meta:
        model = Handpiece
        fields = [
            "id",
            "version",
            "clinic",
            "resource",
            "serial",
            "lines",
            "spot_sizes_mm",
            "counter_at_start",
            "rated_life_pulses",
            "rated_life_months",
            "status",
            "fitted",
        ]

    @extend_schema_field(OnLaserBrief(allow_null=True))
    def get_fitted(self, handpiece: Any) -> dict[str, Any] | None:
        holding = next(iter(handpiece.fittings_now), None)
        return OnLaserBrief(holding).data if holding else None


class HandpieceFields(serializers.Serializer[Any]):
    """What a handpiece is."""

    serial = serializers.CharField(max_length=80)
    lines = VisibleRelatedField(
        queryset=EmissionLine.objects.all(),
        many=True,
        allow_empty=False,
        help_text="Lines of one laser model",
    )
    spot_sizes_mm = SpotsField(help_text="Spot diameters, each one of its lines'")
    rated_life_pulses = WholeField(
        min_value=1, max_value=MAX_COUNTER, allow_null=True, required=False
    )
    rated_life_months = WholeField(
        min_value=1,
        max_value=1200,
        allow_null=True,
        required=False,
        help_text="Counted from when it was first fitted",
    )


class HandpieceIn(HandpieceFields):
    """A new handpiece."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all(), help_text="Where it is kept")
    counter_at_start = WholeField(
        min_value=0,
        max_value=MAX_COUNTER,
        default=0,
        help_text="Pulses on its counter when this record begins",
    )


class HandpieceChangeIn(ChangeIn, HandpieceFields):
    """What is to be different."""

    status = serializers.ChoiceField(choices=choices(DeviceStatus))


class HandpieceLifeOut(ComputedOut):
    """How far a handpiece is through its rated life, in pulses and months."""

    handpiece = serializers.IntegerField()
    counter_at_start = serializers.IntegerField()
    pulses_logged = serializers.IntegerField(help_text="Sum of the ledger, corrections included")
    pulses_so_far = serializers.IntegerField()
    rated_life_pulses = serializers.IntegerField(allow_null=True)
    pulses_left = serializers.IntegerField(allow_null=True, help_text="Below 0: past its life")
    fitted_since = AwareDateTimeField(allow_null=True, help_text="First fitted")
    months_so_far = serializers.IntegerField(allow_null=True, help_text="Whole months")
    rated_life_months = serializers.IntegerField(allow_null=True)
    used_share = serializers.FloatField(
        allow_null=True, help_text="1 is the whole rated life, by pulses or months, the larger"
    )


class HandpieceViewSet(ListMixin, RetrieveMixin):
    """Handpieces of the chain."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = Handpiece.objects.select_related("resource")
    serializer_class = HandpieceOut
    filterset_class = HandpieceFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "device.write",
        "partial_update": "device.write",
        "life": "pulse_entry.read",
    }

    def get_queryset(self) -> Any:
        fitted = Fitting.objects.holding_at(self.now())
        lines = EmissionLine.objects.order_by("wavelength_nm", "pulse_min_ns")
        return (
            super()
            .get_queryset()
            .prefetch_related(
                Prefetch("lines", queryset=lines),
                Prefetch("fittings", queryset=fitted, to_attr="fittings_now"),
            )
        )

    @extend_schema(request=HandpieceIn, responses={201: HandpieceOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new handpiece, kept at a clinic: chain manager or laser safety officer there."""
        fields = self.parse(HandpieceIn)
        handpiece = services.handpiece_create(
            clinic=fields.pop("clinic"),
            line_ids=[line.pk for line in fields.pop("lines")],
            fields=fields,
            actor=self.actor,
        )
        return self.present(self._shown(handpiece), status=status.HTTP_201_CREATED)

    @extend_schema(request=HandpieceChangeIn, responses=HandpieceOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change or retire a handpiece: manager or safety officer where it stands."""
        changes = self.parse(HandpieceChangeIn)
        if "lines" in changes:
            changes["line_ids"] = [line.pk for line in changes.pop("lines")]
        handpiece = services.handpiece_change(
            pk=self.get_object().pk,
            changes=changes,
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(self._shown(handpiece))

    @extend_schema(responses=HandpieceLifeOut)
    @action(detail=True)
    def life(self, request: Request, **kwargs: Any) -> Response:
        """Pulses and months so far, rated life, what is left: everyone but the front desk."""
        handpiece = self.get_object()
        life = selectors.handpiece_life(handpiece, now=self.now())
        answer = {
            "handpiece": handpiece.pk,
            "counter_at_start": life.counter_at_start,
            "pulses_logged": life.logged,
            "pulses_so_far": life.so_far,
            "rated_life_pulses": life.rated,
            "pulses_left": life.left,
            "fitted_since": life.since,
            "months_so_far": life.months,
            "rated_life_months": life.rated_months,
            "used_share": life.used_share,
            "basis": [LIFE],
            "caution": CAUTION,
        }
        return self.show(HandpieceLifeOut, answer)

    def _shown(self, handpiece: Handpiece) -> Any:
        return self.get_queryset().get(pk=handpiece.pk)
