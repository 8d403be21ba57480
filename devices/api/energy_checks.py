"""Energy checks: readings of a setting, and what they say. A failed one locks its line out."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.serializers import BasisOut, RowSerializer
from core.api.viewsets import ListMixin
from core.vocabulary import choices
from devices import selectors
from devices.api.computed import CAUTION, TOP_HAT
from devices.api.fields import MAX_ENERGY_J, MAX_SPOT_MM, QuantityField
from devices.api.hits import HitOut
from devices.api.part_filters import EnergyCheckFilter
from devices.metrology.readings import ReadingsCheck, check_readings
from devices.models import EmissionLine, EnergyCheck, Handpiece, Laser, Meter
from devices.selectors.checks import last_check_before
from devices.services import checks as services
from devices.vocabulary import EnergyUnit

IN_JOULES: Final = {EnergyUnit.JOULE: 1.0, EnergyUnit.MILLIJOULE: 1e-3}
MOST_READINGS: Final = 1000
TOLERANCE_BASIS: Final = {
    "id": "output-tolerance",
    "version": "1",
    "source": "IEC 60601-2-22 and 21 CFR 1040.11(a): within 20 % of the setting; that the edges "
    "pass is a choice of this project",
    "kind": "published",
}


class CheckVoidOut(serializers.Serializer[Any]):
    """Why a check counts no longer."""

    reason = serializers.CharField()
    voided_by = serializers.IntegerField(source="voided_by_id")
    voided_at = AwareDateTimeField()


class CheckFluenceOut(serializers.Serializer[Any]):
    """What energy and spot together do to the fluence; changes are fractions of the setting."""

    fluence_set_j_cm2 = serializers.FloatField()
    fluence_j_cm2 = serializers.FloatField(allow_null=True, help_text="As measured")
    spot_change = serializers.FloatField(allow_null=True)
    fluence_change_of_spot = serializers.FloatField(
        allow_null=True, help_text="By the spot alone: 5 % small is +0.108"
    )
    fluence_change = serializers.FloatField(allow_null=True, help_text="By energy and spot")
    fluence_within = serializers.BooleanField(
        allow_null=True, help_text="Within the same tolerance; a warning where it is not"
    )


class EnergyCheckOut(RowSerializer):
    """A check as it was made; it never changes. Energies in J, `deviation` of the setting."""

    clinic = serializers.IntegerField(source="laser.clinic_id")
    wavelength_nm = serializers.IntegerField(source="line.wavelength_nm")
    fluence = serializers.SerializerMethodField()
    void = serializers.SerializerMethodField()

    class Meta:
        model = EnergyCheck
        fields = [
            "id",
            "laser",
            "clinic",
            "line",
            "wavelength_nm",
            "handpiece",
            "meter",
            "certificate_number",
            "certified_on",
            "certificate_valid_until",
            "checked_at",
            "checked_by",
            "set_energy_j",
            "readings_j",
            "spot_mm",
            "spot_measured_mm",
            "mean_j",
            "spread_j",
            "deviation",
            "tolerance",
            "passed",
            "fluence",
            "note",
            "void",
        ]

    @extend_schema_field(CheckFluenceOut)
    def get_fluence(self, check: EnergyCheck) -> Any:
        return CheckFluenceOut(_found(check)).data

    @extend_schema_field(CheckVoidOut(allow_null=True))
    def get_void(self, check: Any) -> Any:
        void = getattr(check, "void", None)
        return None if void is None else CheckVoidOut(void).data


class EnergyCheckResultOut(EnergyCheckOut):
    """A check with what follows from it.

    When it failed: the lock-out of its line, what is booked on the laser from then on, and the
    last check that passed before; the sessions since are at `/energy-checks/{id}/affected`.
    """

    lock_out = serializers.IntegerField(allow_null=True)
    hits = HitOut(many=True)
    last_good = serializers.IntegerField(allow_null=True)
    basis = BasisOut(many=True)
    caution = serializers.CharField()

    class Meta(EnergyCheckOut.Meta):
        fields = [
            *EnergyCheckOut.Meta.fields,
            "lock_out",
            "hits",
            "last_good",
            "basis",
            "caution",
        ]


class EnergyCheckIn(serializers.Serializer[Any]):
    """Readings of one setting of a line, through a handpiece that was on the laser then."""

    laser = VisibleRelatedField(queryset=Laser.objects.all())
    line = VisibleRelatedField(queryset=EmissionLine.objects.all())
    handpiece = VisibleRelatedField(queryset=Handpiece.objects.all())
    meter = VisibleRelatedField(queryset=Meter.objects.all())
    checked_at = AwareDateTimeField(required=False, help_text="Now when left out")
    unit = serializers.ChoiceField(
        choices=choices(EnergyUnit), help_text="Of the setting and the readings (UCUM)"
    )
    set_energy = QuantityField(max_value=MAX_ENERGY_J / IN_JOULES[EnergyUnit.MILLIJOULE])
    readings = serializers.ListField(
        child=QuantityField(max_value=MAX_ENERGY_J / IN_JOULES[EnergyUnit.MILLIJOULE]),
        min_length=3,
        max_length=MOST_READINGS,
    )
    spot_mm = QuantityField(max_value=MAX_SPOT_MM, help_text="Spot that was set")
    spot_measured_mm = QuantityField(max_value=MAX_SPOT_MM, allow_null=True, default=None)
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class CheckVoidIn(serializers.Serializer[Any]):
    """Why the check counts no longer."""

    reason = serializers.CharField(max_length=400)


class EnergyCheckViewSet(ListMixin):
    """Energy checks, the last recorded first."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = EnergyCheck.objects.select_related("laser", "line", "void")
    serializer_class = EnergyCheckOut
    filterset_class = EnergyCheckFilter
    keyset = ("-id",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "energy_check.write",
        "void": "energy_check.void",
    }

    @extend_schema(responses=EnergyCheckResultOut)
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """One check, and where it failed what is booked on the laser from now on."""
        return self._present(self.get_object())

    @extend_schema(request=EnergyCheckIn, responses={201: EnergyCheckResultOut})
    @idempotent(required=True)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Record readings: laser operator or laser safety officer there.

        The mean passes within the tolerance, edges included. When it fails, the line is locked out
        in the same transaction, and the answer names what that hits. A meter without a certificate
        that counts on the day is refused.
        """
        now = self.now()
        fields = self.parse(EnergyCheckIn)
        factor = IN_JOULES[EnergyUnit(fields.pop("unit"))]
        energies = {
            "set_energy_j": fields.pop("set_energy") * factor,
            "readings_j": [reading * factor for reading in fields.pop("readings")],
        }
        recorded = services.energy_check_record(
            laser_id=fields.pop("laser").pk,
            fields={"checked_at": now, **fields, **energies},
            actor=self.actor,
            now=now,
        )
        return self._present(
            recorded.check, lock_out=recorded.lock_out, status=status.HTTP_201_CREATED
        )

    @extend_schema(request=CheckVoidIn, responses=EnergyCheckResultOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def void(self, request: Request, **kwargs: Any) -> Response:
        """Let a check entered in error count no longer: laser safety officer there."""
        check = services.energy_check_void(
            pk=self.get_object().pk,
            **self.parse(CheckVoidIn),
            actor=self.actor,
            now=self.now(),
        )
        return self._present(self.get_queryset().get(pk=check.pk))

    def _present(self, check: Any, *, lock_out: Any = None, **answer: Any) -> Response:
        failed = not check.passed
        good = last_check_before(check) if failed else None
        check.lock_out = None if lock_out is None else lock_out.pk
        check.last_good = None if good is None else good.pk
        check.hits = (
            selectors.visits_hit(
                check.laser.resource_id, start=self.now(), end=None, now=self.now()
            )
            if failed
            else []
        )
        check.basis = [TOLERANCE_BASIS, TOP_HAT]
        check.caution = CAUTION
        return self.present(check, serializer_class=EnergyCheckResultOut, **answer)


def _found(check: EnergyCheck) -> ReadingsCheck:
    return check_readings(
        check.readings_j,
        set_energy_j=check.set_energy_j,
        spot_mm=check.spot_mm,
        spot_measured_mm=check.spot_measured_mm,
        tolerance=check.tolerance,
    )
