"""What the lists of duties, officers and incidents can be narrowed by."""

from datetime import date
from typing import Any

from django.db.models import QuerySet
from django_filters.rest_framework import CharFilter, ChoiceFilter, DateFilter, FilterSet

from core.api.filters import InstantFilter, YesNoFilter
from core.vocabulary import choices
from devices.api.filters import WholeNumberFilter
from devices.models import DutyRecord, Incident, OfficerAppointment, StartUpCheck
from devices.safety.vocabulary import IncidentKind
from devices.vocabulary import IncidentStatus


class StartUpCheckFilter(FilterSet):
    """Start-up checks by place, device, day and outcome."""

    clinic = WholeNumberFilter(field_name="clinic_id")
    laser = WholeNumberFilter(field_name="laser_id")
    room = WholeNumberFilter(field_name="room_id")
    day = DateFilter()
    passed = YesNoFilter()

    class Meta:
        model = StartUpCheck
        fields: list[str] = []


class DutyRecordFilter(FilterSet):
    """Records of periodic duties by clinic and duty; `counting`: neither withdrawn nor so."""

    clinic = WholeNumberFilter(field_name="clinic_id")
    duty = CharFilter()
    counting = YesNoFilter(method="that_count")

    def that_count(self, rows: QuerySet[Any], name: str, counts: bool) -> QuerySet[Any]:
        counting = rows.filter(withdraws=None, withdrawal__isnull=True)
        return counting if counts else rows.exclude(pk__in=counting.values("pk"))

    class Meta:
        model = DutyRecord
        fields: list[str] = []


class OfficerFilter(FilterSet):
    """Officers by clinic, person, and those who are so on a day."""

    clinic = WholeNumberFilter(field_name="clinic_id")
    staff_member = WholeNumberFilter(field_name="staff_member_id")
    deputy = YesNoFilter()
    holding_on = DateFilter(method="on_day")

    def on_day(self, rows: QuerySet[Any], name: str, day: date) -> QuerySet[Any]:
        return rows.filter(valid_during__contains=day)

    class Meta:
        model = OfficerAppointment
        fields: list[str] = []


class IncidentFilter(FilterSet):
    """Incidents by place, laser, kind, status, and from when they are known."""

    clinic = WholeNumberFilter(field_name="clinic_id")
    laser = WholeNumberFilter(field_name="laser_id")
    kind = ChoiceFilter(choices=choices(IncidentKind))
    status = ChoiceFilter(choices=choices(IncidentStatus))
    known_from = InstantFilter(field_name="known_at", lookup_expr="gte")
    known_until = InstantFilter(field_name="known_at", lookup_expr="lt")

    class Meta:
        model = Incident
        fields: list[str] = []
