"""What the lists of parts, services and checks can be narrowed by."""

from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field

from core.api.filters import InstantFilter, YesNoFilter
from core.vocabulary import DeviceStatus, choices
from devices.api.filters import WholeNumberFilter
from devices.models import EnergyCheck, Installation, Meter, Part, ServicePlan, ServiceVisit
from devices.vocabulary import PartKind, ServiceVisitStatus


class PartFilter(FilterSet):
    """Parts by kind, serial number and status."""

    kind = ChoiceFilter(choices=choices(PartKind))
    serial = CharFilter()
    status = ChoiceFilter(choices=choices(DeviceStatus))

    class Meta:
        model = Part
        fields: list[str] = []


class InstallationFilter(FilterSet):
    """Installations by part, device, or those that hold at an instant."""

    part = WholeNumberFilter(field_name="part_id")
    laser = WholeNumberFilter(field_name="laser_id")
    handpiece = WholeNumberFilter(field_name="handpiece_id")
    holding_at = InstantFilter(method="holding")

    @extend_schema_field(OpenApiTypes.DATETIME)
    def holding(self, rows: QuerySet[Any], name: str, at: datetime) -> QuerySet[Any]:
        return rows.filter(period__contains=at)

    class Meta:
        model = Installation
        fields: list[str] = []


class ServicePlanFilter(FilterSet):
    """Service plans by laser, clinic, and whether they are in force."""

    laser = WholeNumberFilter(field_name="laser_id")
    clinic = WholeNumberFilter(field_name="laser__clinic_id")
    active = YesNoFilter()

    class Meta:
        model = ServicePlan
        fields: list[str] = []


class ServiceVisitFilter(FilterSet):
    """Service visits by laser, clinic and status."""

    laser = WholeNumberFilter(field_name="laser_id")
    clinic = WholeNumberFilter(field_name="laser__clinic_id")
    status = ChoiceFilter(choices=choices(ServiceVisitStatus))

    class Meta:
        model = ServiceVisit
        fields: list[str] = []


class MeterFilter(FilterSet):
    """Meters by serial number and status."""

    serial = CharFilter()
    status = ChoiceFilter(choices=choices(DeviceStatus))

    class Meta:
        model = Meter
        fields: list[str] = []


class EnergyCheckFilter(FilterSet):
    """Energy checks by device, line, meter, outcome and span; `checked_until` is excluded."""

    laser = WholeNumberFilter(field_name="laser_id")
    line = WholeNumberFilter(field_name="line_id")
    handpiece = WholeNumberFilter(field_name="handpiece_id")
    meter = WholeNumberFilter(field_name="meter_id")
    passed = YesNoFilter()
    checked_from = InstantFilter(field_name="checked_at", lookup_expr="gte")
    checked_until = InstantFilter(field_name="checked_at", lookup_expr="lt")

    class Meta:
        model = EnergyCheck
        fields: list[str] = []
