"""Laser models, their emission lines, and which models a credential covers."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Credential
from core.api.fields import VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.schema import UNCONDITIONAL
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from devices.api.fields import (
    MAX_ENERGY_J,
    MAX_PULSE_NS,
    MAX_RATE_HZ,
    ChangeIn,
    QuantityField,
    SpotsField,
    WholeField,
)
from devices.api.filters import EmissionLineFilter, LaserAuthorisationFilter, LaserModelFilter
from devices.models import EmissionLine, LaserAuthorisation, LaserModel
from devices.services import models as services

METHODS: Final = ["get", "post", "patch", "delete", "head", "options"]


class EmissionLineOut(RowSerializer):
    """One wavelength of a laser model and the limits of what it delivers."""

    class Meta:
        model = EmissionLine
        fields = [
            "id",
            "version",
            "laser_model",
            "wavelength_nm",
            "pulse_min_ns",
            "pulse_max_ns",
            "spot_sizes_mm",
            "max_energy_j",
            "max_rate_hz",
        ]


class LineLimitsIn(serializers.Serializer[Any]):
    """What a line is and can do; see the maker's instructions."""

    wavelength_nm = WholeField(min_value=180, max_value=20_000)
    pulse_min_ns = QuantityField(max_value=MAX_PULSE_NS, help_text="Shortest pulse duration")
    pulse_max_ns = QuantityField(max_value=MAX_PULSE_NS, help_text="Longest pulse duration")
    spot_sizes_mm = SpotsField(help_text="Spot diameters it can be set to")
    max_energy_j = QuantityField(max_value=MAX_ENERGY_J, help_text="Largest energy of one pulse")
    max_rate_hz = QuantityField(max_value=MAX_RATE_HZ)


class EmissionLineIn(LineLimitsIn):
    """A new line of a laser model."""

    laser_model = VisibleRelatedField(queryset=LaserModel.objects.all())


class EmissionLineChangeIn(ChangeIn, LineLimitsIn):
    """Limits of a line to change."""


class LaserModelOut(RowSerializer):
    """A laser model with its emission lines."""

    lines = EmissionLineOut(many=True)

    class Meta:
        model = LaserModel
        fields = ["id", "version", "name", "lines"]


class LaserModelIn(serializers.Serializer[Any]):
    """A laser model; its lines are written as `emission-lines`."""

    name = serializers.CharField(max_length=120)


class LaserModelChangeIn(ChangeIn):
    """Another name for a laser model."""

    name = serializers.CharField(max_length=120, required=False)


class LaserAuthorisationOut(RowSerializer):
    """A credential covers this laser model; one without such rows covers every model."""

    class Meta:
        model = LaserAuthorisation
        fields = ["id", "credential", "laser_model"]


class LaserAuthorisationIn(serializers.Serializer[Any]):
    """Narrow a credential to a laser model."""

    credential = VisibleRelatedField(queryset=Credential.objects.all())
    laser_model = VisibleRelatedField(queryset=LaserModel.objects.all())


class LaserModelViewSet(ListMixin, RetrieveMixin):
    """Types of laser that the chain has."""

    http_method_names = METHODS
    queryset = LaserModel.objects.prefetch_related("lines")
    serializer_class = LaserModelOut
    filterset_class = LaserModelFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "laser_model.write",
        "partial_update": "laser_model.write",
        "destroy": "laser_model.write",
    }

    @extend_schema(request=LaserModelIn, responses={201: LaserModelOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new laser model: chain manager or laser safety officer."""
        model = services.laser_model_create(**self.parse(LaserModelIn), actor=self.actor)
        return self.present(model, status=status.HTTP_201_CREATED)

    @extend_schema(request=LaserModelChangeIn, responses=LaserModelOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Rename a laser model: chain manager or laser safety officer."""
        model = services.laser_model_change(
            pk=self.get_object().pk,
            changes=self.parse(LaserModelChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(model)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Remove a laser model that nothing stands on: chain manager or laser safety officer."""
        services.laser_model_remove(
            pk=self.get_object().pk, expected_version=expected_version(request), actor=self.actor
        )
        return Response(status=status.HTTP_204_NO_CONTENT)


class EmissionLineViewSet(ListMixin, RetrieveMixin):
    """Wavelengths of laser models."""

    http_method_names = METHODS
    queryset = EmissionLine.objects.all()
    serializer_class = EmissionLineOut
    filterset_class = EmissionLineFilter
    policy = LaserModelViewSet.policy

    @extend_schema(request=EmissionLineIn, responses={201: EmissionLineOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new line of a laser model: chain manager or laser safety officer."""
        fields = self.parse(EmissionLineIn)
        line = services.emission_line_create(
            laser_model=fields.pop("laser_model"), fields=fields, actor=self.actor
        )
        return self.present(line, status=status.HTTP_201_CREATED)

    @extend_schema(request=EmissionLineChangeIn, responses=EmissionLineOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change the limits of a line: chain manager or laser safety officer.

        The wavelength and pulse duration of a line that handpieces or pulses stand on stay.
        """
        line = services.emission_line_change(
            pk=self.get_object().pk,
            changes=self.parse(EmissionLineChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(line)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Remove a line that nothing stands on: chain manager or laser safety officer."""
        services.emission_line_remove(
            pk=self.get_object().pk, expected_version=expected_version(request), actor=self.actor
        )
        return Response(status=status.HTTP_204_NO_CONTENT)


class LaserAuthorisationViewSet(ListMixin, RetrieveMixin):
    """Which laser models a credential covers, when not all."""

    queryset = LaserAuthorisation.objects.all()
    serializer_class = LaserAuthorisationOut
    filterset_class = LaserAuthorisationFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "credential.write",
        "destroy": "credential.write",
    }

    @extend_schema(request=LaserAuthorisationIn, responses={201: LaserAuthorisationOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Narrow a credential to a laser model: chain manager or laser safety officer."""
        row = services.laser_authorisation_create(
            **self.parse(LaserAuthorisationIn), actor=self.actor
        )
        return self.present(row, status=status.HTTP_201_CREATED)

    @extend_schema(
        parameters=[UNCONDITIONAL],
        responses={204: None},
    )
    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Take a model from a credential, unless it is the last: manager or safety officer."""
        services.laser_authorisation_remove(authorisation=self.get_object(), actor=self.actor)
        return Response(status=status.HTTP_204_NO_CONTENT)
