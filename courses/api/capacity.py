"""Capacity: what could be booked against what is booked, clinic by clinic and week by week."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.vocabulary import ResourceKind
from core.api.fields import DayField
from core.api.filters import invalid_parameters
from core.api.views import FallowView
from core.vocabulary import choices
from courses.selectors.capacity import ClinicWeek, capacity_for


class CapacityQuery(serializers.Serializer[Any]):
    """Which weeks, at which clinics."""

    weeks = serializers.IntegerField(min_value=1, max_value=26, default=4)
    clinic = serializers.ListField(
        child=serializers.IntegerField(min_value=1),
        required=False,
        max_length=250,
        help_text="Without any: every clinic",
    )

    def get_fields(self) -> dict[str, Any]:
        # `from` is a word of the language, so the field is made here.
        return {"from": DayField(help_text="A day of the first week"), **super().get_fields()}


class CapacityRowOut(serializers.Serializer[Any]):
    """Hours of one kind of resource, for one wavelength or (null) for all together."""

    kind = serializers.ChoiceField(choices=choices(ResourceKind))
    wavelength_nm = serializers.IntegerField(allow_null=True)
    units = serializers.IntegerField(help_text="How many there are")
    bookable_h = serializers.FloatField()
    booked_h = serializers.FloatField()
    free_h = serializers.FloatField()
    utilisation = serializers.FloatField(
        allow_null=True, help_text="Booked over bookable hours; null when nothing is bookable"
    )


class BindingOut(serializers.Serializer[Any]):
    """The kind with the fewest free hours: where the next visit fails first."""

    wavelength_nm = serializers.IntegerField(allow_null=True)
    kind = serializers.ChoiceField(choices=choices(ResourceKind))


class ClinicWeekOut(serializers.Serializer[Any]):
    """One clinic in the week from `week_starts_on`, a Monday in its own zone."""

    clinic = serializers.IntegerField()
    name = serializers.CharField()
    time_zone = serializers.CharField()
    week_starts_on = serializers.DateField()
    rows = CapacityRowOut(many=True)
    binding = BindingOut(many=True)


class CapacityOut(serializers.Serializer[Any]):
    """All the weeks asked for."""

    items = ClinicWeekOut(many=True)


class CapacityView(FallowView):
    """Hours that could be booked, booked and free."""

    policy = {"get": "capacity.read"}
    extra_query_params = ("from", "weeks", "clinic")
    repeatable_query_params = ("clinic",)

    @extend_schema(
        parameters=[CapacityQuery],
        responses=CapacityOut,
        summary="Capacity by week",
    )
    def get(self, request: Request) -> Response:
        """Per clinic and week, for each kind of resource and each wavelength.

        For chain managers and the front desk. `binding` names the kind that runs out first.
        """
        given = request.query_params
        query = CapacityQuery(
            data={
                **{name: given[name] for name in ("from", "weeks") if name in given},
                **({"clinic": given.getlist("clinic")} if "clinic" in given else {}),
            }
        )
        if not query.is_valid():
            raise invalid_parameters(_messages(query.errors))
        asked = query.validated_data
        weeks = capacity_for(
            from_date=asked["from"],
            weeks=asked["weeks"],
            clinic_ids=asked.get("clinic"),
            actor=self.actor,
            now=self.now(),
        )
        return self.show(CapacityOut, {"items": [_week(week) for week in weeks]})


def _messages(errors: Any) -> dict[str, list[dict[str, Any]]]:
    return {
        name: [{"message": str(message), "code": message.code} for message in _flat(found)]
        for name, found in errors.items()
    }


def _flat(found: Any) -> list[Any]:
    groups = found.values() if isinstance(found, dict) else [found]
    return [message for group in groups for message in group]


def _week(week: ClinicWeek) -> dict[str, Any]:
    return {
        "clinic": week.clinic_id,
        "name": week.clinic_name,
        "time_zone": week.time_zone,
        "week_starts_on": week.week_starts_on,
        "rows": week.capacity.rows,
        "binding": [{"wavelength_nm": nm, "kind": kind} for nm, kind in week.capacity.binding],
    }
