"""The ledger of pulses over HTTP: read, test fires and calibration, corrections."""

import hashlib
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import StaffMember
from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent, read_key
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from devices.api.fields import (
    MAX_FLUENCE_J_CM2,
    MAX_PULSES,
    MAX_RATE_HZ,
    MAX_SPOT_MM,
    HexField,
    QuantityField,
    WholeField,
)
from devices.api.filters import PulseEntryFilter
from devices.models import EmissionLine, Handpiece, Laser, PulseEntry
from devices.services import ledger as services


class PulseEntryOut(RowSerializer):
    """One row of the ledger; a correction points at the row it corrects and is signed."""

    wavelength_nm = serializers.IntegerField(source="line.wavelength_nm")
    encoding = serializers.IntegerField(help_text="Version of how the entry becomes bytes")
    sequence = serializers.IntegerField(help_text="Place in the chain of its laser, from 1")
    previous = HexField(help_text="Digest of the entry before, in hex")
    digest = HexField(help_text="SHA-256 of the entry and the digest before, in hex")

    class Meta:
        model = PulseEntry
        fields = [
            "id",
            "laser",
            "handpiece",
            "line",
            "wavelength_nm",
            "pulses",
            "purpose",
            "operator",
            "fired_at",
            "corrects",
            "reason",
            "source",
            "created_at",
            "ended_at",
            "spot_mm",
            "fluence_j_cm2",
            "rate_hz",
            "energy_j",
            "total_energy_j",
            "area_cm2",
            "average_power_w",
            "encoding",
            "sequence",
            "previous",
            "digest",
        ]


class PulseEntryIn(serializers.Serializer[Any]):
    """A test fire or a calibration; treatment pulses come with the session record."""

    laser = VisibleRelatedField(queryset=Laser.objects.all())
    handpiece = VisibleRelatedField(queryset=Handpiece.objects.all())
    line = VisibleRelatedField(queryset=EmissionLine.objects.all())
    pulses = WholeField(min_value=1, max_value=MAX_PULSES)
    purpose = serializers.ChoiceField(
        choices=[(code.value, code.value) for code in sorted(services.ENTERED_BY_HAND)]
    )
    operator = VisibleRelatedField(
        queryset=StaffMember.objects.filter(active=True),
        required=False,
        help_text="Who fired; the caller when left out",
    )
    fired_at = AwareDateTimeField(required=False, help_text="Now when left out")
    ended_at = AwareDateTimeField(
        required=False, help_text="When the firing was over: the pulses must fit the time"
    )
    spot_mm = QuantityField(
        required=False,
        max_value=MAX_SPOT_MM,
        help_text="Diameter; with fluence and rate, energies are derived and stored",
    )
    fluence_j_cm2 = QuantityField(required=False, max_value=MAX_FLUENCE_J_CM2)
    rate_hz = QuantityField(required=False, max_value=MAX_RATE_HZ)


class PulseCorrectionIn(serializers.Serializer[Any]):
    """By how many pulses an entry is wrong, signed, and why."""

    pulses = WholeField(min_value=-MAX_PULSES, max_value=MAX_PULSES, help_text="Not 0")
    reason = serializers.CharField(max_length=400)


class PulseEntryViewSet(ListMixin, RetrieveMixin):
    """The ledger of pulses, the latest first. It only grows."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = PulseEntry.objects.select_related("line")
    serializer_class = PulseEntryOut
    filterset_class = PulseEntryFilter
    keyset = ("-fired_at", "-id")
    policy = {
        "list": "pulse_entry.read",
        "retrieve": "pulse_entry.read",
        "create": "pulse_entry.write",
        "corrections": "pulse_entry.correct",
    }

    @extend_schema(request=PulseEntryIn, responses={201: PulseEntryOut})
    @idempotent(required=True)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Enter a test fire or a calibration: operator, clinician or safety officer there.

        While the laser is locked out only the laser safety officer may. A setting is spot,
        fluence and rate together; it must lie within the line.
        """
        fields = self.parse(PulseEntryIn)
        entry = services.pulse_entry_record(
            laser_id=fields.pop("laser").pk,
            fields=fields,
            entry_key=self._entry_key(),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(entry, status=status.HTTP_201_CREATED)

    @extend_schema(request=PulseCorrectionIn, responses={201: PulseEntryOut})
    @action(detail=True, methods=["post"])
    @idempotent(required=True)
    def corrections(self, request: Request, **kwargs: Any) -> Response:
        """Correct an entry by a further, signed row: laser safety officer there.

        An entry and its corrections never add up to fewer than zero pulses.
        """
        correction = services.pulse_entry_correct(
            entry=self.get_object(),
            **self.parse(PulseCorrectionIn),
            entry_key=self._entry_key(),
            actor=self.actor,
        )
        return self.present(correction, status=status.HTTP_201_CREATED)

    def _entry_key(self) -> str:
        """The ledger's own key: the caller's key still counts once stored answers are gone."""
        told = f"{self.request.path}\n{read_key(self.request)}"
        return f"staff:{self.actor.staff_id}:{hashlib.sha256(told.encode()).hexdigest()}"
