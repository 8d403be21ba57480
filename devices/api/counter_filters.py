"""What the lists of counters, readings, differences and imports can be narrowed by."""

from typing import Any

from django.db.models import Q, QuerySet
from django_filters.rest_framework import ChoiceFilter, FilterSet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field

from core.api.filters import InstantFilter, YesNoFilter
from core.vocabulary import choices
from devices.api.filters import WholeNumberFilter
from devices.models import (
    Counter,
    CounterDifference,
    CounterImport,
    CounterReading,
    CounterReconciliation,
)
from devices.vocabulary import CounterFinding, CounterKind, DifferenceStatus, ReadingOccasion


class _AtClinic(FilterSet):
    counter_path = ""

    @extend_schema_field(OpenApiTypes.INT)
    def at_clinic(self, rows: QuerySet[Any], name: str, clinic_id: int) -> QuerySet[Any]:
        path = self.counter_path
        return rows.filter(
            Q(**{f"{path}laser__clinic": clinic_id})
            | Q(**{f"{path}handpiece__resource__clinic": clinic_id})
        )


class CounterFilter(_AtClinic):
    """Counters by device, kind and clinic."""

    laser = WholeNumberFilter(field_name="laser_id")
    handpiece = WholeNumberFilter(field_name="handpiece_id")
    kind = ChoiceFilter(choices=choices(CounterKind))
    clinic = WholeNumberFilter(method="at_clinic")
    active = YesNoFilter()

    class Meta:
        model = Counter
        fields: list[str] = []


class CounterReadingFilter(_AtClinic):
    """Readings by counter, device, clinic, occasion and time; `read_until` is excluded."""

    counter_path = "counter__"

    counter = WholeNumberFilter(field_name="counter_id")
    laser = WholeNumberFilter(field_name="counter__laser_id")
    handpiece = WholeNumberFilter(field_name="counter__handpiece_id")
    clinic = WholeNumberFilter(method="at_clinic")
    occasion = ChoiceFilter(choices=choices(ReadingOccasion))
    read_from = InstantFilter(field_name="read_at", lookup_expr="gte")
    read_until = InstantFilter(field_name="read_at", lookup_expr="lt")

    class Meta:
        model = CounterReading
        fields: list[str] = []


class CounterDifferenceFilter(_AtClinic):
    """Differences by state, finding, owner, counter, device and clinic."""

    counter_path = "counter__"

    status = ChoiceFilter(choices=choices(DifferenceStatus))
    finding = ChoiceFilter(choices=choices(CounterFinding))
    owner = WholeNumberFilter(field_name="owner_id")
    counter = WholeNumberFilter(field_name="counter_id")
    laser = WholeNumberFilter(field_name="counter__laser_id")
    handpiece = WholeNumberFilter(field_name="counter__handpiece_id")
    clinic = WholeNumberFilter(method="at_clinic")

    class Meta:
        model = CounterDifference
        fields: list[str] = []


class CounterReconciliationFilter(FilterSet):
    """Comparisons by time; `ran_until` is excluded."""

    ran_from = InstantFilter(field_name="ran_at", lookup_expr="gte")
    ran_until = InstantFilter(field_name="ran_at", lookup_expr="lt")

    class Meta:
        model = CounterReconciliation
        fields: list[str] = []


class CounterImportFilter(FilterSet):
    """Imports by layout."""

    layout = WholeNumberFilter(field_name="layout_id")

    class Meta:
        model = CounterImport
        fields: list[str] = []
