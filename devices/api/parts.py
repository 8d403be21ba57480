"""Parts: what they are, where they sit, how far they are through their life."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.hours import local_date
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import ComputedOut, RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import DeviceStatus, choices
from devices.api.computed import CAUTION
from devices.api.fields import MAX_COUNTER, ChangeIn, WholeField
from devices.api.part_filters import InstallationFilter, PartFilter
from devices.forecast import whole_months
from devices.models import Handpiece, Installation, Laser, Part
from devices.selectors.parts import PartLife, laser_part_lives, part_lives
from devices.services import parts as services
from devices.vocabulary import PartKind

PART_LIFE = {
    "id": "part-life",
    "version": "1",
    "source": "Pulses before the record plus the sum of the ledger while the part was installed; "
    "months from its first installation; rated lives as the chain entered them",
    "kind": "common_practice",
}


class DevicePartOut(RowSerializer):
    """A part, with the life it is rated for."""

    class Meta:
        model = Part
        fields = [
            "id",
            "version",
            "kind",
            "serial",
            "rated_life_pulses",
            "rated_life_months",
            "rated_life_source",
            "pulses_before",
            "wavelengths_nm",
            "status",
        ]


class DevicePartFields(serializers.Serializer[Any]):
    """What a part is."""

    serial = serializers.CharField(max_length=80)
    rated_life_pulses = WholeField(
        min_value=1, max_value=MAX_COUNTER, allow_null=True, required=False
    )
    rated_life_months = WholeField(min_value=1, max_value=1200, allow_null=True, required=False)
    rated_life_source = serializers.CharField(
        max_length=200, allow_blank=True, required=False, help_text="Where the rated life stands"
    )
    pulses_before = WholeField(
        min_value=0,
        max_value=MAX_COUNTER,
        required=False,
        help_text="Pulses it had done before this record",
    )
    wavelengths_nm = serializers.ListField(
        child=WholeField(min_value=180, max_value=20_000),
        max_length=30,
        required=False,
        help_text="Lines (nm) whose pulses wear it; empty: all",
    )


class DevicePartIn(DevicePartFields):
    """A new part."""

    kind = serializers.ChoiceField(choices=choices(PartKind))


class DevicePartChangeIn(ChangeIn, DevicePartFields):
    """What is to be different."""

    status = serializers.ChoiceField(choices=choices(DeviceStatus))


class PartLifeFields(serializers.Serializer[Any]):
    """What a part or a handpiece has done, and what is left of its rated life."""

    unit = serializers.CharField(help_text="`part` or `handpiece`")
    id = serializers.IntegerField()
    kind = serializers.CharField()
    serial = serializers.CharField()
    laser = serializers.IntegerField(allow_null=True, help_text="Where it sits now")
    handpiece = serializers.IntegerField(allow_null=True, help_text="Where it sits now")
    installed_since = AwareDateTimeField(allow_null=True, help_text="First installed")
    pulses_before = serializers.IntegerField()
    pulses_logged = serializers.IntegerField(help_text="Sum of the ledger while installed")
    pulses_so_far = serializers.IntegerField()
    rated_life_pulses = serializers.IntegerField(allow_null=True)
    pulses_left = serializers.IntegerField(allow_null=True, help_text="Below 0: past its life")
    months_so_far = serializers.IntegerField(allow_null=True, help_text="Whole months")
    rated_life_months = serializers.IntegerField(allow_null=True)
    rated_life_source = serializers.CharField(allow_blank=True)
    used_share = serializers.FloatField(
        allow_null=True, help_text="1 is the whole rated life, by pulses or months, the larger"
    )


class PartLifeOut(ComputedOut, PartLifeFields):
    """One part's life."""


class InstallationOut(RowSerializer):
    """A part sits in a laser or a handpiece from `start` to `end`; without an end, still."""

    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", allow_null=True, help_text="Excluded.")

    class Meta:
        model = Installation
        fields = [
            "id",
            "version",
            "part",
            "laser",
            "handpiece",
            "start",
            "end",
            "note",
            "installed_by",
            "removed_by",
            "removal_note",
        ]


class InstallationIn(serializers.Serializer[Any]):
    """Install a part: in a laser or in a handpiece."""

    part = VisibleRelatedField(queryset=Part.objects.all())
    laser = VisibleRelatedField(queryset=Laser.objects.all(), required=False)
    handpiece = VisibleRelatedField(
        queryset=Handpiece.objects.select_related("resource"), required=False
    )
    installed_at = AwareDateTimeField(required=False, help_text="Now when left out")
    note = serializers.CharField(max_length=400, allow_blank=True, default="")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("laser" in attrs) == ("handpiece" in attrs):
            raise serializers.ValidationError(
                {"laser": "Name either a laser or a handpiece."}, code="one_device"
            )
        return attrs


class InstallationEndIn(serializers.Serializer[Any]):
    """Take the part out."""

    removed_at = AwareDateTimeField(required=False, help_text="Now when left out")
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class PartViewSet(ListMixin, RetrieveMixin):
    """Parts of the chain."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = Part.objects.all()
    serializer_class = DevicePartOut
    filterset_class = PartFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "part.write",
        "partial_update": "part.write",
        "life": "pulse_entry.read",
    }

    @extend_schema(request=DevicePartIn, responses={201: DevicePartOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new part: chain manager or laser safety officer."""
        part = services.part_create(fields=self.parse(DevicePartIn), actor=self.actor)
        return self.present(part, status=status.HTTP_201_CREATED)

    @extend_schema(request=DevicePartChangeIn, responses=DevicePartOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change or retire a part: chain manager or laser safety officer."""
        part = services.part_change(
            pk=self.get_object().pk,
            changes=self.parse(DevicePartChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(part)

    @extend_schema(responses=PartLifeOut)
    @action(detail=True)
    def life(self, request: Request, **kwargs: Any) -> Response:
        """What the part has done, from the ledger. Everyone but the front desk may ask."""
        now = self.now()
        (life,) = part_lives([self.get_object().pk], actor=self.actor, now=now)
        answer = {**life_fields(life, now=now), "basis": [PART_LIFE], "caution": CAUTION}
        return self.show(PartLifeOut, answer)


class InstallationViewSet(ListMixin, RetrieveMixin):
    """Where parts sit and sat, the latest first."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = Installation.objects.all()
    serializer_class = InstallationOut
    filterset_class = InstallationFilter
    keyset = ("-id",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "part.install",
        "end": "part.install",
    }

    @extend_schema(request=InstallationIn, responses={201: InstallationOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Install a part: laser operator or laser safety officer where the device stands.

        Where it sat before, it ends at the same instant.
        """
        now = self.now()
        fields = self.parse(InstallationIn)
        installation = services.part_install(
            part_id=fields["part"].pk,
            device=fields.get("laser") or fields["handpiece"],
            at=fields.get("installed_at", now),
            note=fields["note"],
            actor=self.actor,
            now=now,
        )
        return self.present(installation, status=status.HTTP_201_CREATED)

    @extend_schema(request=InstallationEndIn, responses=InstallationOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def end(self, request: Request, **kwargs: Any) -> Response:
        """Take a part out: laser operator or laser safety officer where the device stands."""
        now = self.now()
        fields = self.parse(InstallationEndIn)
        installation = services.installation_end(
            pk=self.get_object().pk,
            at=fields.get("removed_at", now),
            note=fields["note"],
            actor=self.actor,
            now=now,
        )
        return self.present(installation)


class LaserPartsOut(ComputedOut):
    """What sits in a laser and in its handpieces now, the handpieces among it."""

    laser = serializers.IntegerField()
    parts = PartLifeFields(many=True)


class LaserPartsViewSet(RetrieveMixin):
    """The parts of one laser and their lives."""

    http_method_names = ["get", "head", "options"]
    queryset = Laser.objects.select_related("clinic")
    serializer_class = LaserPartsOut
    policy = {"retrieve": "pulse_entry.read"}

    @extend_schema(responses=LaserPartsOut)
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """What sits in the laser and its handpieces now, and how far each is through its life.

        From the ledger alone. Everyone but the front desk may ask.
        """
        laser: Laser = self.get_object()
        now = self.now()
        lives = laser_part_lives(laser.pk, actor=self.actor, now=now)
        zone = ZoneInfo(laser.clinic.time_zone)
        answer = {
            "laser": laser.pk,
            "parts": [life_fields(life, now=now, zone=zone) for life in lives],
            "basis": [PART_LIFE],
            "caution": CAUTION,
        }
        return self.show(LaserPartsOut, answer)


def life_fields(life: PartLife, *, now: datetime, zone: ZoneInfo | None = None) -> dict[str, Any]:
    """The life of a part as the API shows it; months by the calendar of the zone (None: UTC)."""
    clock = zone or ZoneInfo("UTC")
    until = min(life.until or now, now)
    months = (
        None
        if life.since is None
        else max(0, whole_months(local_date(life.since, clock), local_date(until, clock)))
    )
    shares = [
        done / rated
        for done, rated in ((life.so_far, life.rated_pulses), (months, life.rated_months))
        if done is not None and rated
    ]
    return {
        "unit": life.unit,
        "id": life.id,
        "kind": life.kind,
        "serial": life.serial,
        "laser": life.laser,
        "handpiece": life.handpiece,
        "installed_since": life.since,
        "pulses_before": life.before,
        "pulses_logged": life.logged,
        "pulses_so_far": life.so_far,
        "rated_life_pulses": life.rated_pulses,
        "pulses_left": life.left,
        "months_so_far": months,
        "rated_life_months": life.rated_months,
        "rated_life_source": life.rated_source,
        "used_share": max(shares, default=None),
    }
