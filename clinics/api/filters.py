"""What the lists of the organisation can be narrowed by."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone
from django_filters.rest_framework import (
    CharFilter,
    ChoiceFilter,
    DateFilter,
    Filter,
    FilterSet,
)
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field

from clinics import selectors
from clinics.api.fields import LONGEST_NM, SHORTEST_NM
from clinics.models import Shift
from clinics.vocabulary import (
    AbsenceReason,
    CredentialKind,
    ReservationReason,
    ResourceKind,
    Role,
)
from core.api.filters import InstantFilter, YesNoFilter
from core.vocabulary import ReservationStatus, choices


@extend_schema_field(OpenApiTypes.INT)
class IdFilter(Filter):
    """A key, or another whole number that a column can hold."""

    field_class = forms.IntegerField

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"min_value": 0, "max_value": 2**63 - 1, **kwargs})


class WavelengthFilter(IdFilter):
    """A wavelength in nm."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        ends = {"min_value": SHORTEST_NM, "max_value": LONGEST_NM}
        super().__init__(*args, **{**ends, **kwargs})


class ValidOnFilter(DateFilter):
    """Rows that are valid on a local date."""

    def __init__(self) -> None:
        super().__init__(field_name="valid_during", lookup_expr="contains")


class ClinicFilters(FilterSet):
    """Clinics."""

    active = YesNoFilter()


class RoomFilters(FilterSet):
    """Rooms by clinic and by what they are cleared for."""

    clinic = IdFilter(field_name="clinic_id")
    active = YesNoFilter()
    laser_controlled = YesNoFilter()
    cleared_for_nm = WavelengthFilter(method="cleared", label="A wavelength in nm")

    def cleared(self, rows: QuerySet[Any], _: str, wavelength_nm: int) -> QuerySet[Any]:
        """Rooms cleared for the wavelength."""
        return rows.filter(cleared_wavelengths_nm__contains=[wavelength_nm])


class StaffFilters(FilterSet):
    """Staff by what they are fit for on a date."""

    active = YesNoFilter()
    fit_for = ChoiceFilter(
        choices=choices(CredentialKind),
        method="fit",
        label="Active, with a credential of this kind in date",
    )
    on = DateFilter(method="fit", label="The date for `fit_for`; today in UTC without it")
    wavelength_nm = WavelengthFilter(
        method="fit", label="A wavelength in nm that `fit_for` must cover"
    )

    def fit(self, rows: QuerySet[Any], name: str, _: Any) -> QuerySet[Any]:
        """Staff whose credentials cover the three parameters together."""
        given = self.form.cleaned_data
        if name != "fit_for":
            return rows
        wavelength_nm = given.get("wavelength_nm")
        fit = selectors.staff_fit_on(
            given.get("on") or timezone.now().date(),
            chain_id=self.request.actor.chain_id,  # type: ignore[union-attr]
            kind=CredentialKind(given["fit_for"]),
            wavelengths_nm=[wavelength_nm] if wavelength_nm else [],
        )
        return rows.filter(pk__in=fit.values("pk"))


class CredentialFilters(FilterSet):
    """Credentials by person, kind and date."""

    staff_member = IdFilter(field_name="staff_member_id")
    kind = ChoiceFilter(choices=choices(CredentialKind))
    valid_on = ValidOnFilter()
    ends_before = DateFilter(
        field_name="valid_during", lookup_expr="endswith__lt", label="Not valid on that date"
    )


class SpanForm(forms.Form):
    """Two ends that belong together."""

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = self.cleaned_data
        start, end = given.get("start"), given.get("end")
        if start is not None and end is not None and end <= start:
            self.add_error("end", ValidationError("Must be after `start`.", code="order"))
        return given


class EndFilter(InstantFilter):
    """One end of a span; the filter set looks at both together, for one index to answer."""

    def filter(self, qs: QuerySet[Any], value: Any) -> QuerySet[Any]:
        return qs


class SpanFilters(FilterSet):
    """Rows that share an instant with the span from `start` to `end`; either may be left out."""

    start = EndFilter(label="Only what is not over by then")
    end = EndFilter(label="Only what has begun before")

    class Meta:
        form = SpanForm

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        """All filters, and the two ends as one overlap."""
        rows = super().filter_queryset(queryset)
        start, end = self.form.cleaned_data["start"], self.form.cleaned_data["end"]
        if start is None and end is None:
            return rows
        return rows.filter(period__overlap=DateTimeTZRange(start, end))


class ShiftFilters(SpanFilters):
    """Shifts by clinic, person and span."""

    clinic = IdFilter(field_name="clinic_id")
    staff_member = IdFilter(field_name="staff_member_id")


class MembershipFilters(FilterSet):
    """Memberships by person, clinic, role and instant."""

    staff_member = IdFilter(field_name="staff_member_id")
    clinic = IdFilter(field_name="clinic_id")
    role = ChoiceFilter(choices=choices(Role))
    valid_at = InstantFilter(field_name="valid_during", lookup_expr="contains")


class OpeningRuleFilters(FilterSet):
    """Opening rules by clinic, weekday and date."""

    clinic = IdFilter(field_name="clinic_id")
    weekday = IdFilter()
    valid_on = ValidOnFilter()


class ClosureFilters(SpanFilters):
    """Closures by clinic and span."""

    clinic = IdFilter(field_name="clinic_id")


class HolidayOverrideFilters(FilterSet):
    """Decisions about single dates, by clinic; dates from `since` up to, not including, `until`."""

    clinic = IdFilter(field_name="clinic_id")
    since = DateFilter(field_name="date", lookup_expr="gte")
    until = DateFilter(field_name="date", lookup_expr="lt")


class ReservationFilters(SpanFilters):
    """Reservations by place, resource, kind, span and source."""

    clinic = IdFilter(
        method="at_clinic",
        label="Of what stands at this clinic, and of staff while on shift there",
    )
    resource = IdFilter(field_name="resource_id")
    kind = ChoiceFilter(field_name="resource__kind", choices=choices(ResourceKind))
    reason = ChoiceFilter(choices=choices(ReservationReason))
    status = ChoiceFilter(choices=choices(ReservationStatus))
    source = CharFilter()

    def at_clinic(self, rows: QuerySet[Any], _: str, clinic_id: int) -> QuerySet[Any]:
        """Staff have no place of their own: they are where their shift is."""
        on_shift = Shift.objects.filter(
            clinic_id=clinic_id,
            staff_member__resource_id=OuterRef("resource_id"),
            period__overlap=OuterRef("period"),
        )
        return rows.filter(Q(resource__clinic_id=clinic_id) | Exists(on_shift))


class AbsenceFilters(SpanFilters):
    """Absences by place, resource, reason and span."""

    clinic = IdFilter(field_name="resource__clinic_id", label="Of rooms and devices there")
    resource = IdFilter(field_name="resource_id")
    kind = ChoiceFilter(field_name="resource__kind", choices=choices(ResourceKind))
    reason = ChoiceFilter(choices=choices(AbsenceReason))
