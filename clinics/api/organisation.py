"""The chain, its clinics and their rooms."""

from datetime import date
from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics import selectors
from clinics.api.base import AddMixin, ChangeMixin
from clinics.api.filters import ClinicFilters, RoomFilters
from clinics.api.serializers.hours import DatesIn, OpeningHoursOut
from clinics.api.serializers.organisation import ChainSerializer, ClinicSerializer, RoomSerializer
from clinics.hours import DayReason, zone_named
from clinics.models import Chain, Clinic, Room
from clinics.selectors import OpeningDay
from clinics.services import organisation
from core.api.filters import parsed_query


@extend_schema_view(
    retrieve=extend_schema(summary="The caller's chain and its policies"),
    partial_update=extend_schema(
        summary="Change the chain's policies",
        description="A chain manager of the whole chain may. A policy is replaced as a whole.",
    ),
)
class ChainViewSet(ChangeMixin):
    """The chain of whoever asks: one, so its address needs no id."""

    queryset = Chain.objects.all()
    serializer_class = ChainSerializer
    policy = {"retrieve": "organisation.read", "partial_update": "chain.write"}

    def get_object(self) -> Chain:
        """The one chain there is for the caller."""
        chain: Chain = self.get_queryset().get()
        return chain

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> Chain:
        return organisation.chain_change(
            changes=changes, expected_version=expected, actor=self.actor
        )


@extend_schema_view(
    list=extend_schema(summary="List the clinics"),
    retrieve=extend_schema(summary="One clinic"),
    create=extend_schema(
        summary="Add a clinic", description="A chain manager of the whole chain may."
    ),
    partial_update=extend_schema(
        summary="Change a clinic",
        description="A chain manager there may. 409 when it is to close down, or to keep another "
        "clock, while visits are booked.",
    ),
)
class ClinicViewSet(AddMixin, ChangeMixin):
    """The places of the chain. One that has closed down is not removed but no longer active."""

    queryset = Clinic.objects.all()
    serializer_class = ClinicSerializer
    filterset_class = ClinicFilters
    policy = {
        "list": "organisation.read",
        "retrieve": "organisation.read",
        "create": "chain.write",
        "partial_update": "organisation.write",
        "opening_hours": "organisation.read",
    }

    def query_names(self) -> Any:
        """The list has filters, the opening hours a range of dates."""
        return {"from", "to"} if self.action == "opening_hours" else super().query_names()

    def add(self, fields: dict[str, Any]) -> Clinic:
        return organisation.clinic_create(fields=fields, actor=self.actor)

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> Clinic:
        return organisation.clinic_change(
            pk=row.pk,
            changes=changes,
            expected_version=expected,
            actor=self.actor,
            now=self.now(),
        )

    @extend_schema(
        summary="When a clinic is open, day by day, and why",
        parameters=[
            OpenApiParameter("from", date, required=True, description="First local date"),
            OpenApiParameter("to", date, required=True, description="Local date after the last"),
        ],
        responses=OpeningHoursOut,
        filters=False,
    )
    @action(detail=True, url_path="opening-hours", pagination_class=None)
    def opening_hours(self, request: Request, **kwargs: Any) -> Response:
        """Everyone may. Right on the days when clocks change; spans in UTC and local time."""
        clinic = self.get_object()
        dates = parsed_query(DatesIn, request)
        days = selectors.opening_days(clinic, from_date=dates["from"], to_date=dates["to"])
        answer = {
            "clinic": clinic.pk,
            "time_zone": clinic.time_zone,
            "days": [_day(day, clinic.time_zone) for day in days],
        }
        return self.show(OpeningHoursOut, answer)


@extend_schema_view(
    list=extend_schema(summary="List the rooms"),
    retrieve=extend_schema(summary="One room"),
    create=extend_schema(summary="Add a room", description="A chain manager there may."),
    partial_update=extend_schema(
        summary="Change a room",
        description="A chain manager there may. 409 when it is to be given up while visits are "
        "booked in it.",
    ),
)
class RoomViewSet(AddMixin, ChangeMixin):
    """Treatment rooms. One that is given up is not removed but no longer active."""

    queryset = Room.objects.all()
    serializer_class = RoomSerializer
    filterset_class = RoomFilters
    policy = {
        "list": "organisation.read",
        "retrieve": "organisation.read",
        "create": "organisation.write",
        "partial_update": "organisation.write",
    }

    def add(self, fields: dict[str, Any]) -> Room:
        clinic = fields.pop("clinic")
        return organisation.room_create(clinic=clinic, fields=fields, actor=self.actor)

    def change(self, row: Any, changes: dict[str, Any], *, expected: int | None) -> Room:
        return organisation.room_change(
            pk=row.pk,
            changes=changes,
            expected_version=expected,
            actor=self.actor,
            now=self.now(),
        )


def _day(day: OpeningDay, zone_name: str) -> dict[str, Any]:
    zone = zone_named(zone_name)
    no_rule = day.hours.reason == DayReason.WEEKLY and not day.hours.hours
    return {
        "date": day.hours.day,
        "decided_by": "no_rule" if no_rule else day.hours.reason,
        "public_holiday": day.hours.holiday,
        "note": day.note,
        "open": [
            {
                "start": span.start,
                "end": span.end,
                "local_start": span.start.astimezone(zone).isoformat(),
                "local_end": span.end.astimezone(zone).isoformat(),
            }
            for span in day.spans
        ],
        "closures": day.closures,
    }
