"""What decides when a clinic is open: weekly rules, closures, and decisions about single dates."""

from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema, extend_schema_view

from clinics.api.base import DESPITE_VISITS, StrandingViewSet
from clinics.api.filters import ClosureFilters, HolidayOverrideFilters, OpeningRuleFilters
from clinics.api.serializers.hours import (
    ClosureSerializer,
    HolidayOverrideSerializer,
    OpeningRuleSerializer,
)
from clinics.models import Closure, HolidayOverride, OpeningRule
from clinics.services import opening
from clinics.services.opening import HoursRow

MAY = (
    "A chain manager there may. 409 with the visits that would lie outside opening hours, unless "
    "`despite_visits`."
)


class HoursViewSet(StrandingViewSet):
    """Rows that decide the hours of a clinic."""

    model: ClassVar[type[HoursRow]]
    policy = {
        "list": "organisation.read",
        "retrieve": "organisation.read",
        "create": "organisation.write",
        "partial_update": "organisation.write",
        "destroy": "organisation.write",
    }

    def add(self, fields: dict[str, Any]) -> HoursRow:
        return opening.hours_create(
            kind=self.model,
            despite_visits=fields.pop("despite_visits"),
            fields=fields,
            actor=self.actor,
            now=self.now(),
        )

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> HoursRow:
        return opening.hours_change(
            row=row,
            despite_visits=changes.pop("despite_visits", False),
            changes=changes,
            expected_version=expected,
            actor=self.actor,
            now=self.now(),
        )

    def remove(self, row: Any, *, expected: int | None) -> None:
        opening.hours_remove(
            row=row,
            expected_version=expected,
            despite_visits=self.despite_visits(),
            actor=self.actor,
            now=self.now(),
        )


@extend_schema_view(
    list=extend_schema(summary="List weekly opening rules"),
    retrieve=extend_schema(summary="One weekly opening rule"),
    create=extend_schema(summary="Add a weekly opening rule", description=MAY),
    partial_update=extend_schema(summary="Change a weekly opening rule", description=MAY),
    destroy=extend_schema(
        summary="Remove a weekly opening rule", description=MAY, parameters=[DESPITE_VISITS]
    ),
)
class OpeningRuleViewSet(HoursViewSet):
    """Weekly opening hours in local wall time. Two rules never cover the same hours."""

    model = OpeningRule
    queryset = OpeningRule.objects.all()
    serializer_class = OpeningRuleSerializer
    filterset_class = OpeningRuleFilters


@extend_schema_view(
    list=extend_schema(summary="List closures"),
    retrieve=extend_schema(summary="One closure"),
    create=extend_schema(summary="Close a clinic for a period", description=MAY),
    partial_update=extend_schema(summary="Change a closure", description=MAY),
    destroy=extend_schema(summary="Remove a closure", description=MAY, parameters=[DESPITE_VISITS]),
)
class ClosureViewSet(HoursViewSet):
    """Periods in which a clinic is closed, whatever its weekly rules say."""

    model = Closure
    queryset = Closure.objects.all()
    serializer_class = ClosureSerializer
    filterset_class = ClosureFilters


@extend_schema_view(
    list=extend_schema(summary="List decisions about single dates"),
    retrieve=extend_schema(summary="One decision about a date"),
    create=extend_schema(summary="Decide about one date", description=MAY),
    partial_update=extend_schema(summary="Change a decision about a date", description=MAY),
    destroy=extend_schema(
        summary="Remove a decision about a date", description=MAY, parameters=[DESPITE_VISITS]
    ),
)
class HolidayOverrideViewSet(HoursViewSet):
    """Dates on which a clinic departs from public holidays or its weekly rules."""

    model = HolidayOverride
    queryset = HolidayOverride.objects.all()
    serializer_class = HolidayOverrideSerializer
    filterset_class = HolidayOverrideFilters
