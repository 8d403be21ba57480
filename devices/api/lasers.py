"""Lasers: where they stand, what is on them, what they fired."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.db.models import Prefetch
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic, Room
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.filters import parsed_query
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import ComputedOut, RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from core.spans import Span
from core.vocabulary import DeviceStatus, choices
from devices import selectors
from devices.api.computed import CAUTION, USAGE
from devices.api.fields import ChangeIn
from devices.api.filters import LaserFilter
from devices.models import Fitting, Laser, LaserModel, LockOut
from devices.services import lasers as services

LONGEST_USAGE: Final = timedelta(days=1100)


class LockOutBrief(serializers.Serializer[Any]):
    """The lock-out that holds now."""

    id = serializers.IntegerField()
    reason = serializers.CharField()
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", allow_null=True, help_text="Excluded.")


class LineLockOutBrief(LockOutBrief):
    """The lock-out of one line that holds now."""

    line = serializers.IntegerField(source="line_id")


class FittedBrief(serializers.Serializer[Any]):
    """A handpiece that is on the laser now."""

    fitting = serializers.IntegerField(source="pk")
    handpiece = serializers.IntegerField(source="handpiece_id")
    serial = serializers.CharField(source="handpiece.serial")
    start = AwareDateTimeField(source="period.lower")


class LaserOut(RowSerializer):
    """A laser as it stands now; without a room it is mobile."""

    time_zone = serializers.CharField(source="clinic.time_zone")
    laser_model_name = serializers.CharField(source="laser_model.name")
    wavelengths_nm = serializers.SerializerMethodField()
    lock_out = serializers.SerializerMethodField()
    lines_locked_out = serializers.SerializerMethodField()
    handpieces = FittedBrief(source="fittings_now", many=True)

    class Meta:
        model = Laser
        fields = [
            "id",
            "version",
            "clinic",
            "time_zone",
            "room",
            "resource",
            "laser_model",
            "laser_model_name",
            "wavelengths_nm",
            "serial",
            "label",
            "status",
            "lock_out",
            "lines_locked_out",
            "handpieces",
        ]

    def get_wavelengths_nm(self, laser: Laser) -> list[int]:
        return sorted({line.wavelength_nm for line in laser.laser_model.lines.all()})

    @extend_schema_field(LockOutBrief(allow_null=True))
    def get_lock_out(self, laser: Any) -> dict[str, Any] | None:
        holding = next((one for one in laser.lock_outs_now if one.line_id is None), None)
        return LockOutBrief(holding).data if holding else None

    @extend_schema_field(LineLockOutBrief(many=True))
    def get_lines_locked_out(self, laser: Any) -> list[dict[str, Any]]:
        held = [one for one in laser.lock_outs_now if one.line_id is not None]
        return [LineLockOutBrief(one).data for one in held]


class LaserIn(serializers.Serializer[Any]):
    """A new laser."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    room = VisibleRelatedField(
        queryset=Room.objects.all(), allow_null=True, default=None, help_text="None: mobile"
    )
    laser_model = VisibleRelatedField(queryset=LaserModel.objects.all())
    serial = serializers.CharField(max_length=80)
    label = serializers.CharField(  # type: ignore[assignment]
        max_length=80, allow_blank=True, default="", help_text="What the clinic calls it"
    )


class LaserChangeIn(ChangeIn):
    """Where a laser is to stand, what it is called, whether it is in service."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    room = VisibleRelatedField(queryset=Room.objects.all(), allow_null=True)
    serial = serializers.CharField(max_length=80)
    label = serializers.CharField(max_length=80, allow_blank=True)  # type: ignore[assignment]
    status = serializers.ChoiceField(choices=choices(DeviceStatus))


class UsageQuery(serializers.Serializer[Any]):
    """From when (included) to when (excluded)."""

    to = AwareDateTimeField(help_text="Excluded.")

    def get_fields(self) -> dict[str, Any]:
        return {"from": AwareDateTimeField(help_text="Included."), **super().get_fields()}

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        start, end = attrs["from"], attrs["to"]
        if end <= start:
            raise serializers.ValidationError({"to": "The end must be after the start."})
        if end - start > LONGEST_USAGE:
            days = LONGEST_USAGE.days
            raise serializers.ValidationError({"to": f"A report spans at most {days} days."})
        return attrs


class TallyOut(serializers.Serializer[Any]):
    """Pulses, corrections included, and the entries behind them, corrections not counted."""

    pulses = serializers.IntegerField()
    entries = serializers.IntegerField()


class LineTallyOut(TallyOut):
    """Pulses on one emission line."""

    line = serializers.IntegerField()
    wavelength_nm = serializers.IntegerField()


class HandpieceTallyOut(TallyOut):
    """Pulses through one handpiece."""

    handpiece = serializers.IntegerField()
    serial = serializers.CharField()


class PurposeTallyOut(TallyOut):
    """Pulses for one purpose; a correction counts for the purpose of its entry."""

    purpose = serializers.CharField()


class OperatorTallyOut(TallyOut):
    """Pulses of one member of staff."""

    operator = serializers.IntegerField()
    name = serializers.CharField()


class DayTallyOut(TallyOut):
    """Pulses on one local date of the clinic."""

    day = serializers.DateField()


class LaserUsageOut(ComputedOut):
    """What a laser fired in a span; each split adds up to the total."""

    laser = serializers.IntegerField()
    clinic = serializers.IntegerField()
    time_zone = serializers.CharField(help_text="Zone of the days")
    start = AwareDateTimeField()
    end = AwareDateTimeField(help_text="Excluded.")
    total = TallyOut()
    by_line = LineTallyOut(many=True)
    by_handpiece = HandpieceTallyOut(many=True)
    by_purpose = PurposeTallyOut(many=True)
    by_operator = OperatorTallyOut(many=True)
    by_day = DayTallyOut(many=True)


class LaserViewSet(ListMixin, RetrieveMixin):
    """Lasers of the chain."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = Laser.objects.select_related("clinic", "laser_model")
    serializer_class = LaserOut
    filterset_class = LaserFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "device.write",
        "partial_update": "device.write",
        "usage": "pulse_entry.read",
    }

    def get_queryset(self) -> Any:
        now = self.now()
        locked = LockOut.objects.holding_at(now)  # of the whole laser, and of single lines
        fitted = Fitting.objects.holding_at(now).select_related("handpiece").order_by("pk")
        return (
            super()
            .get_queryset()
            .prefetch_related(
                "laser_model__lines",
                Prefetch("lock_outs", queryset=locked, to_attr="lock_outs_now"),
                Prefetch("fittings", queryset=fitted, to_attr="fittings_now"),
            )
        )

    @extend_schema(request=LaserIn, responses={201: LaserOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new laser at a clinic: chain manager or laser safety officer there."""
        fields = self.parse(LaserIn)
        laser = services.laser_create(clinic=fields.pop("clinic"), fields=fields, actor=self.actor)
        return self.present(self._shown(laser), status=status.HTTP_201_CREATED)

    @extend_schema(request=LaserChangeIn, responses=LaserOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Move, name, retire or bring back a laser: manager or safety officer there.

        A move to another clinic needs the role at both, takes the fitted handpieces along and
        leaves the room unless a new one is named. A laser that visits are booked on stays.
        """
        laser = services.laser_change(
            pk=self.get_object().pk,
            changes=self.parse(LaserChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(self._shown(laser))

    @extend_schema(parameters=[UsageQuery], responses=LaserUsageOut)
    @action(detail=True, extra_query_params=("from", "to"))
    def usage(self, request: Request, **kwargs: Any) -> Response:
        """Pulses from `from` to `to`, by line, handpiece, purpose, operator and day.

        From the ledger alone. Everyone but the front desk may ask.
        """
        laser = self.get_object()
        asked = parsed_query(UsageQuery, request)
        span = Span(asked["from"], asked["to"])
        zone = ZoneInfo(laser.clinic.time_zone)
        usage = selectors.laser_usage(laser, span=span, zone=zone)
        return self.show(LaserUsageOut, _usage_answer(laser, span=span, usage=usage))

    def _shown(self, laser: Laser) -> Any:
        return self.get_queryset().get(pk=laser.pk)


def _usage_answer(laser: Laser, *, span: Span, usage: selectors.Usage) -> dict[str, Any]:
    return {
        "laser": laser.pk,
        "clinic": laser.clinic_id,
        "time_zone": laser.clinic.time_zone,
        "start": span.start,
        "end": span.end,
        "total": usage.total,
        "by_line": _split("line", usage.by_line, named="wavelength_nm", names=usage.lines),
        "by_handpiece": _split(
            "handpiece", usage.by_handpiece, named="serial", names=usage.handpieces
        ),
        "by_purpose": _split("purpose", usage.by_purpose),
        "by_operator": _split("operator", usage.by_operator, named="name", names=usage.operators),
        "by_day": _split("day", usage.by_day),
        "basis": [USAGE],
        "caution": CAUTION,
    }


def _split(
    key_name: str,
    tallies: Mapping[Any, selectors.Tally],
    *,
    named: str = "",
    names: Mapping[Any, Any] | None = None,
) -> list[dict[str, Any]]:
    """One row for each key; with `names`, what each key is called."""
    return [
        {
            key_name: key,
            **({named: names[key]} if names else {}),
            "pulses": tally.pulses,
            "entries": tally.entries,
        }
        for key, tally in tallies.items()
    ]
