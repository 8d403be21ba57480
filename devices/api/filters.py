"""What the lists of devices can be narrowed by."""

from datetime import datetime
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils import timezone
from django_filters.rest_framework import CharFilter, ChoiceFilter, Filter, FilterSet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field

from core.api.filters import InstantFilter
from core.vocabulary import DeviceStatus, choices
from devices.models import (
    EmissionLine,
    Fitting,
    Handpiece,
    Laser,
    LaserAuthorisation,
    LaserModel,
    LockOut,
    PulseEntry,
)
from devices.vocabulary import LockOutReason, PulsePurpose


class WholeNumberFilter(Filter):
    """A key or another whole number."""

    field_class = forms.IntegerField


class LaserModelFilter(FilterSet):
    """Laser models by the wavelength of a line."""

    name = CharFilter(lookup_expr="iexact")
    wavelength_nm = WholeNumberFilter(field_name="lines__wavelength_nm", distinct=True)

    class Meta:
        model = LaserModel
        fields: list[str] = []


class EmissionLineFilter(FilterSet):
    """Emission lines by laser model and wavelength."""

    laser_model = WholeNumberFilter(field_name="laser_model_id")
    wavelength_nm = WholeNumberFilter()

    class Meta:
        model = EmissionLine
        fields: list[str] = []


class LaserAuthorisationFilter(FilterSet):
    """Which models a credential covers, and which credentials a model has."""

    credential = WholeNumberFilter(field_name="credential_id")
    laser_model = WholeNumberFilter(field_name="laser_model_id")

    class Meta:
        model = LaserAuthorisation
        fields: list[str] = []


class LaserFilter(FilterSet):
    """Lasers by place, model, line and status."""

    clinic = WholeNumberFilter(field_name="clinic_id")
    room = WholeNumberFilter(field_name="room_id")
    laser_model = WholeNumberFilter(field_name="laser_model_id")
    wavelength_nm = WholeNumberFilter(field_name="laser_model__lines__wavelength_nm", distinct=True)
    status = ChoiceFilter(choices=choices(DeviceStatus))
    serial = CharFilter()

    class Meta:
        model = Laser
        fields: list[str] = []


class _OfLaserPeriod(FilterSet):
    laser = WholeNumberFilter(field_name="laser_id")
    clinic = WholeNumberFilter(field_name="laser__clinic_id")
    holding_at = InstantFilter(method="holding")

    @extend_schema_field(OpenApiTypes.DATETIME)
    def holding(self, rows: QuerySet[Any], name: str, at: datetime) -> QuerySet[Any]:
        return rows.filter(period__contains=at)


class LockOutFilter(_OfLaserPeriod):
    """Lock-outs by laser, clinic, reason, or those that hold at an instant."""

    line = WholeNumberFilter(field_name="line_id")
    reason = ChoiceFilter(choices=choices(LockOutReason))

    class Meta:
        model = LockOut
        fields: list[str] = []


class FittingFilter(_OfLaserPeriod):
    """Fittings by laser, handpiece, clinic, or those that hold at an instant."""

    handpiece = WholeNumberFilter(field_name="handpiece_id")

    class Meta:
        model = Fitting
        fields: list[str] = []


class HandpieceFilter(FilterSet):
    """Handpieces by clinic, line, status, or the laser they are on now."""

    clinic = WholeNumberFilter(field_name="resource__clinic_id")
    line = WholeNumberFilter(field_name="lines__id", distinct=True)
    laser = WholeNumberFilter(method="on_laser")
    status = ChoiceFilter(choices=choices(DeviceStatus))
    serial = CharFilter()

    @extend_schema_field(OpenApiTypes.INT)
    def on_laser(self, rows: QuerySet[Any], name: str, laser_id: int) -> QuerySet[Any]:
        on_it = Fitting.objects.filter(laser_id=laser_id).holding_at(timezone.now())
        return rows.filter(pk__in=on_it.values("handpiece_id"))

    class Meta:
        model = Handpiece
        fields: list[str] = []


class PulseEntryFilter(FilterSet):
    """The ledger by device, line, purpose, operator, source and span.

    `fired_from` is included, `fired_until` is not.
    """

    laser = WholeNumberFilter(field_name="laser_id")
    handpiece = WholeNumberFilter(field_name="handpiece_id")
    line = WholeNumberFilter(field_name="line_id")
    operator = WholeNumberFilter(field_name="operator_id")
    corrects = WholeNumberFilter(field_name="corrects_id")
    purpose = ChoiceFilter(choices=choices(PulsePurpose))
    source = CharFilter()
    fired_from = InstantFilter(field_name="fired_at", lookup_expr="gte")
    fired_until = InstantFilter(field_name="fired_at", lookup_expr="lt")

    class Meta:
        model = PulseEntry
        fields: list[str] = []
