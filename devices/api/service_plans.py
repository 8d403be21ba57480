"""Service plans: intervals, how they stand, and when they will fall due."""

from datetime import timedelta
from typing import Any, Final

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, DayField, VisibleRelatedField
from core.api.filters import parsed_query
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import ComputedOut, RowSerializer
from core.api.viewsets import ListMixin
from core.vocabulary import choices
from devices.api.computed import CAUTION
from devices.api.fields import MAX_COUNTER, ChangeIn, WholeField
from devices.api.part_filters import ServicePlanFilter
from devices.forecast import DayChoice
from devices.models import Laser, ServicePlan
from devices.policy import device_policy_of
from devices.selectors.service import PlanStanding, plan_standings, plans_counted, visit_days
from devices.services import service as services
from devices.vocabulary import ServiceState

ONE_DAY: Final = timedelta(days=1)
FEWEST_DAYS: Final = 14
MOST_DAYS: Final = 120
FORECAST: Final = {
    "id": "service-forecast",
    "version": "1",
    "source": "Pulses since the last service from the ledger; booked sessions topped up to the "
    "recent rate by weekday, pulses per session as of late; compound sums, gamma by their moments",
    "kind": "proposal",
}
CALENDAR: Final = {
    "id": "service-interval",
    "version": "1",
    "source": "Intervals and tolerances as the chain entered them from the maker's instructions",
    "kind": "common_practice",
}
PLACEMENT: Final = {
    "id": "fewest-displaced-day",
    "version": "1",
    "source": "Days before the 10 % date first, then fewest bookings displaced, then earliest",
    "kind": "proposal",
}


class DueOut(serializers.Serializer[Any]):
    """By which local dates it is due with 10, 50 and 90 %; null: not within two years."""

    p10 = serializers.DateField(allow_null=True)
    p50 = serializers.DateField(allow_null=True)
    p90 = serializers.DateField(allow_null=True)


class ServicePlanOut(RowSerializer):
    """A service plan and how it stands today, at the clinic."""

    clinic = serializers.IntegerField(source="laser.clinic_id")
    time_zone = serializers.CharField(source="laser.clinic.time_zone")
    state = serializers.SerializerMethodField()
    pulses_since = serializers.SerializerMethodField(help_text="Since it was last done")
    pulses_left = serializers.SerializerMethodField(help_text="Below 0: overdrawn")
    due_on = serializers.SerializerMethodField(help_text="By the calendar")
    due = serializers.SerializerMethodField(help_text="By whichever is first")

    class Meta:
        model = ServicePlan
        fields = [
            "id",
            "version",
            "laser",
            "clinic",
            "time_zone",
            "name",
            "every_pulses",
            "every_months",
            "tolerance_pulses",
            "tolerance_days",
            "last_done_at",
            "pulses_before",
            "source",
            "deferred_until",
            "deferral_reason",
            "warned_at",
            "active",
            "state",
            "pulses_since",
            "pulses_left",
            "due_on",
            "due",
        ]

    def standing(self, plan: ServicePlan) -> PlanStanding:
        """How the plan stands, worked out for the whole page at once."""
        found: dict[int, PlanStanding] = self.context["standings"]
        return found[plan.pk]

    @extend_schema_field(serializers.ChoiceField(choices=choices(ServiceState)))
    def get_state(self, plan: ServicePlan) -> str:
        return self.standing(plan).state

    def get_pulses_since(self, plan: ServicePlan) -> int:
        return self.standing(plan).pulses_since

    def get_pulses_left(self, plan: ServicePlan) -> int | None:
        return self.standing(plan).pulses_left

    @extend_schema_field(serializers.DateField(allow_null=True))
    def get_due_on(self, plan: ServicePlan) -> Any:
        return self.standing(plan).due_on

    @extend_schema_field(DueOut)
    def get_due(self, plan: ServicePlan) -> Any:
        return DueOut(self.standing(plan).due).data


class PlanFields(serializers.Serializer[Any]):
    """How often a service is due, and how far beyond that the laser may be used."""

    name = serializers.CharField(max_length=120)
    every_pulses = WholeField(min_value=1, max_value=MAX_COUNTER, allow_null=True, required=False)
    every_months = WholeField(min_value=1, max_value=600, allow_null=True, required=False)
    tolerance_pulses = WholeField(min_value=0, max_value=MAX_COUNTER, required=False)
    tolerance_days = WholeField(min_value=0, max_value=366, required=False)
    source = serializers.CharField(  # type: ignore[assignment]
        max_length=200, allow_blank=True, required=False, help_text="Where the interval stands"
    )


class ServicePlanIn(PlanFields):
    """A new service plan: by pulses, by months, or by whichever comes first."""

    laser = VisibleRelatedField(queryset=Laser.objects.all())
    last_done_at = AwareDateTimeField(help_text="From when pulses and months count")
    pulses_before = WholeField(
        min_value=0,
        max_value=MAX_COUNTER,
        required=False,
        help_text="Pulses since then that the ledger does not have",
    )


class ServicePlanChangeIn(ChangeIn, PlanFields):
    """What is to be different."""

    active = serializers.BooleanField()


class DeferralIn(serializers.Serializer[Any]):
    """Until when a late service locks nothing out, and why."""

    until = AwareDateTimeField()
    reason = serializers.CharField(max_length=400)


class RecentOut(serializers.Serializer[Any]):
    """What the forecast stands on."""

    days = serializers.IntegerField(help_text="Days looked back")
    sessions = serializers.IntegerField()
    pulses_per_session = serializers.FloatField(help_text="Mean")
    pulses_per_session_sd = serializers.FloatField(help_text="Standard deviation used")
    other_pulses = serializers.IntegerField(help_text="Fired outside of sessions")
    sessions_booked = serializers.IntegerField(help_text="Ahead, within two years")


class ServiceForecastOut(ComputedOut):
    """When a service falls due, and from when on its lateness locks out."""

    plan = serializers.IntegerField()
    laser = serializers.IntegerField()
    today = serializers.DateField(help_text="Local date at the clinic")
    state = serializers.ChoiceField(choices=choices(ServiceState))
    pulses_since = serializers.IntegerField()
    pulses_left = serializers.IntegerField(allow_null=True)
    due_on = serializers.DateField(allow_null=True, help_text="By the calendar alone")
    due = DueOut(help_text="By whichever is first")
    overdue = DueOut(help_text="Tolerance used up too, by whichever is first")
    locks_out = serializers.BooleanField(help_text="Overdue and not put off")
    recent = RecentOut()


class VisitDayQuery(serializers.Serializer[Any]):
    """How long the visit takes, and from which date on to look."""

    minutes = serializers.IntegerField(min_value=15, max_value=1440)
    since = DayField(required=False, help_text="Tomorrow when left out")
    until = DayField(required=False, help_text="Excluded.")


class VisitDayOut(serializers.Serializer[Any]):
    """The best place on one day."""

    day = serializers.DateField()
    start = AwareDateTimeField(source="span.start")
    end = AwareDateTimeField(source="span.end", help_text="Excluded.")
    before_due = serializers.BooleanField(source="in_time", help_text="Before the 10 % date")
    displaced = serializers.ListField(
        child=serializers.CharField(), help_text="`<table>:<id>` of what is booked then"
    )
    patients = serializers.SerializerMethodField(help_text="How many are displaced")

    def get_patients(self, choice: DayChoice) -> int:
        return len(choice.displaced)


class VisitDaysOut(ComputedOut):
    """Days for a visit, the best first: fewest displaced, then earliest, before it is due."""

    plan = serializers.IntegerField()
    laser = serializers.IntegerField()
    before = serializers.DateField(allow_null=True, help_text="The 10 % date")
    days = VisitDayOut(many=True)


class ServicePlanViewSet(ListMixin):
    """Service plans of the chain's lasers."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = ServicePlan.objects.select_related("laser__clinic", "laser__chain")
    serializer_class = ServicePlanOut
    filterset_class = ServicePlanFilter
    conditional = ("defer",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "service.write",
        "partial_update": "service.write",
        "defer": "service.defer",
        "forecast": "device.read",
        "visit_days": "device.read",
    }

    def get_queryset(self) -> Any:
        return plans_counted(super().get_queryset())

    def get_serializer(self, *args: Any, **kwargs: Any) -> Any:
        """The page's standings are worked out together."""
        if kwargs.get("many") and args:
            kwargs["context"] = {**self._context(), "standings": self._standings(args[0])}
        return super().get_serializer(*args, **kwargs)

    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """One plan, how it stands, and when it falls due."""
        return self._shown(self.get_object().pk)

    @extend_schema(request=ServicePlanIn, responses={201: ServicePlanOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new plan for a laser: chain manager or laser safety officer there."""
        fields = self.parse(ServicePlanIn)
        plan = services.service_plan_create(
            laser_id=fields.pop("laser").pk, fields=fields, actor=self.actor, now=self.now()
        )
        return self._shown(plan.pk, status=status.HTTP_201_CREATED)

    @extend_schema(request=ServicePlanChangeIn, responses=ServicePlanOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change a plan or take it out of force: manager or safety officer there."""
        plan = services.service_plan_change(
            pk=self.get_object().pk,
            changes=self.parse(ServicePlanChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self._shown(plan.pk)

    @extend_schema(request=DeferralIn, responses=ServicePlanOut)
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def defer(self, request: Request, **kwargs: Any) -> Response:
        """Put a service off, with a reason: laser safety officer there. It stays due."""
        plan = services.service_plan_defer(
            pk=self.get_object().pk,
            **self.parse(DeferralIn),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self._shown(plan.pk)

    @extend_schema(responses=ServiceForecastOut)
    @action(detail=True)
    def forecast(self, request: Request, **kwargs: Any) -> Response:
        """When it falls due, as a distribution of dates, and what that stands on."""
        plan = self.get_object()
        one = self._standings([plan])[plan.pk]
        recent = one.recent
        answer = {
            "plan": plan.pk,
            "laser": plan.laser_id,
            "today": one.today,
            "state": one.state,
            "pulses_since": one.pulses_since,
            "pulses_left": one.pulses_left,
            "due_on": one.due_on,
            "due": one.due,
            "overdue": one.latest,
            "locks_out": one.locks_out,
            "recent": {
                "days": recent.days,
                "sessions": len(recent.pulses),
                "pulses_per_session": recent.mean,
                "pulses_per_session_sd": recent.variance**0.5,
                "other_pulses": recent.other_pulses,
                "sessions_booked": one.booked,
            },
            "basis": [FORECAST, CALENDAR],
            "caution": CAUTION,
        }
        return self.show(ServiceForecastOut, answer)

    @extend_schema(
        parameters=[VisitDayQuery],
        responses=VisitDaysOut,
    )
    @action(detail=True, url_path="visit-days", extra_query_params=("minutes", "since", "until"))
    def visit_days(self, request: Request, **kwargs: Any) -> Response:
        """On which day a visit displaces the fewest patients, and whose bookings it would hit.

        Looks at the days before the 10 % date, and at two weeks at least.
        """
        plan = self.get_object()
        asked = parsed_query(VisitDayQuery, request)
        one = self._standings([plan])[plan.pk]
        since = asked.get("since", one.today + ONE_DAY)
        last = max(one.due.p10 or since, since + FEWEST_DAYS * ONE_DAY)
        until = min(asked.get("until", last), since + MOST_DAYS * ONE_DAY)
        days = visit_days(
            plan.laser,
            length=timedelta(minutes=asked["minutes"]),
            since=max(since, one.today),
            until=until,
            before=one.due.p10,
            now=self.now(),
        )
        answer = {
            "plan": plan.pk,
            "laser": plan.laser_id,
            "before": one.due.p10,
            "days": days,
            "basis": [PLACEMENT, FORECAST],
            "caution": CAUTION,
        }
        return self.show(VisitDaysOut, answer)

    def _standings(self, plans: Any) -> dict[int, PlanStanding]:
        plans = list(plans)
        if not plans:
            return {}
        policy = device_policy_of(plans[0].laser.chain.device_policy)
        return {one.plan.pk: one for one in plan_standings(plans, policy=policy, now=self.now())}

    def _shown(self, pk: int, **answer: Any) -> Response:
        plan = self.get_queryset().get(pk=pk)
        self._held = self._standings([plan])
        return self.present(plan, **answer)

    def _context(self) -> dict[str, Any]:
        return {**super()._context(), "standings": getattr(self, "_held", {})}
