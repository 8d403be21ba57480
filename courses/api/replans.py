"""Re-plans: when the day breaks, new slots for all visits that are hit, together."""

from typing import Any

from django.db.models import Prefetch
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.base import FreeReasonIn
from courses.api.replan_answers import OutageHitsOut, ReplanOut, ReplanRowOut
from courses.api.replan_bodies import (
    ApplyIn,
    EffortIn,
    OutagesIn,
    ReplanIn,
    SettleIn,
    outages_in,
)
from courses.errors import ReplanUnknown
from courses.models import Replan, ReplanRow, ReplanRun
from courses.replan import MAX_DISPLACED
from courses.selectors.replanning.outages import broken_by, hits_of
from courses.selectors.replanning.runs import proposed_rows
from courses.services.replans import (
    DEFAULT_SECONDS,
    Order,
    replan_apply,
    replan_cancel,
    replan_create,
    replan_settle,
    replan_solve_again,
)
from courses.vocabulary import ReplanRowStatus, ReplanStatus, UnplacedChoice


class ReplanFilter(filters.FilterSet):
    """In which state."""

    status = filters.MultipleChoiceFilter(choices=choices(ReplanStatus))

    class Meta:
        model = Replan
        fields = ("status",)


class ReplanRowFilter(filters.FilterSet):
    """Placed or not, and of which appointment."""

    status = filters.MultipleChoiceFilter(choices=choices(ReplanRowStatus))
    appointment = WholeNumberFilter()

    class Meta:
        model = ReplanRow
        fields = ("status", "appointment")


@extend_schema_view(
    list=extend_schema(summary="List re-plans"),
    retrieve=extend_schema(summary="Show a re-plan and how far it is"),
)
class ReplanViewSet(ListMixin, RetrieveMixin):
    """Re-plans of the chain, the newest first."""

    queryset = Replan.objects.prefetch_related(
        "outages", Prefetch("runs", ReplanRun.objects.order_by("-number"))
    )
    serializer_class = ReplanOut
    filterset_class = ReplanFilter
    keyset = ("-id",)
    http_method_names = ["get", "post", "head", "options"]
    throttle_scopes = {"create": "replan", "solve_again": "replan", "hits": "slot_search"}
    conditional = ("apply", "cancel", "settle", "solve_again")
    policy = {
        "list": "replan.read",
        "retrieve": "replan.read",
        "hits": "replan.read",
        "create": "replan.write",
        "solve_again": "replan.write",
        "settle": "replan.write",
        "apply": "replan.write",
        "cancel": "replan.write",
    }

    @extend_schema(request=OutagesIn, responses=OutageHitsOut, summary="Find what outages hit")
    @action(detail=False, methods=["post"])
    def hits(self, request: Request) -> Response:
        """Every appointment that needs what is not to be had, before anything is solved.

        Nothing is kept. For the chain manager, the front desk and clinicians.
        """
        broken = broken_by(outages_in(self.parse(OutagesIn)), actor=self.actor)
        found = hits_of(broken, actor=self.actor, now=self.now())
        self.shows, self.shown = "courses.Appointment", [hit.appointment.pk for hit in found]
        told = {
            "hits": found,
            "movable": sum(hit.movable for hit in found),
            "max_movable": MAX_DISPLACED,
        }
        return self.show(OutageHitsOut, told)

    @extend_schema(request=ReplanIn, responses={202: ReplanOut}, summary="Ask for a re-plan")
    @idempotent(required=True)
    def create(self, request: Request) -> Response:
        """New slots for all visits that the outages hit are looked for; `Location` tells how far.

        For the chain manager and the front desk, at every clinic concerned. Takes up to 2000
        visits, and searches up to 180 days from now. Nothing is moved before it is applied.
        """
        body = self.parse(ReplanIn)
        order = Order(
            outages=outages_in(body),
            clinic_ids=[clinic.pk for clinic in body.get("clinics", ())],
            days=body["days"],
            notice_hours=body["notice_hours"],
            policy=body.get("policy", {}),
            reason=body["reason"],
            seed=body.get("seed", 1),
            seconds=body.get("seconds", DEFAULT_SECONDS),
        )
        return self._accepted(replan_create(order=order, actor=self.actor, now=self.now()))

    @extend_schema(
        request=EffortIn,
        responses={202: ReplanOut},
        summary="Solve a re-plan again",
    )
    @action(detail=True, methods=["post"], url_path="solve-again")
    @idempotent(required=False)
    def solve_again(self, request: Request, pk: str) -> Response:
        """Look again, at the diary as it is now, from what was proposed last.

        Also finds what has been booked on the broken since. For the chain manager and the desk.
        """
        body = self.parse(EffortIn)
        return self._accepted(
            replan_solve_again(replan_id=int(pk), **body, **self._who(self.request))
        )

    @extend_schema(request=ApplyIn, responses=ReplanOut, summary="Apply a re-plan")
    @action(detail=True, methods=["post"])
    @idempotent(required=True)
    def apply(self, request: Request, pk: str) -> Response:
        """Move every visit to its new slot, all or none, and queue what patients are told.

        409 `diary_changed` names each visit that cannot be moved any more: solve again. 409
        `unplaced_in_the_way` when visits without a slot keep what others are given: say what
        becomes of them. For the chain manager and the front desk, at every clinic concerned.
        """
        body = self.parse(ApplyIn)
        choice = body.get("unplaced")
        replan = replan_apply(
            replan_id=int(pk),
            unplaced=UnplacedChoice(choice) if choice else None,
            reason=body["reason"],
            **self._who(request),
        )
        return self._shown(replan)

    @extend_schema(
        request=SettleIn,
        responses=ReplanOut,
        summary="Settle visits without a new slot",
    )
    @action(detail=True, methods=["post"], url_path="settle-unplaced")
    @idempotent(required=False)
    def settle(self, request: Request, pk: str) -> Response:
        """Cancel visits that no slot was found for; with `waiting_list` they wait for another.

        For the chain manager and the front desk; the waiting list is the front desk's alone.
        """
        body = self.parse(SettleIn)
        replan = replan_settle(
            replan_id=int(pk),
            appointment_ids=frozenset(body["appointments"]),
            choice=UnplacedChoice(body["choice"]),
            reason=body["reason"],
            **self._who(request),
        )
        return self._shown(replan)

    @extend_schema(
        request=FreeReasonIn,
        responses=ReplanOut,
        summary="Give a re-plan up",
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def cancel(self, request: Request, pk: str) -> Response:
        """Stop looking, and apply nothing. For the chain manager and the front desk."""
        reason = self.parse(FreeReasonIn)["reason"]
        return self._shown(replan_cancel(replan_id=int(pk), reason=reason, **self._who(request)))

    def _who(self, request: Request) -> dict[str, Any]:
        return {
            "actor": self.actor,
            "now": self.now(),
            "expected_version": expected_version(request),
        }

    def _shown(self, replan: Replan, *, status: int = 200) -> Response:
        return self.present(self.get_queryset().get(pk=replan.pk), status=status)

    def _accepted(self, replan: Replan) -> Response:
        response = self._shown(replan, status=202)
        response.headers["Location"] = self.reverse_action("detail", [replan.pk])
        return response


@extend_schema_view(list=extend_schema(summary="List what a re-plan proposes"))
class ReplanRowViewSet(ListMixin):
    """What a re-plan proposes for each appointment, in the order in which they were."""

    queryset = ReplanRow.objects.select_related("run", "appointment__course", "recall")
    serializer_class = ReplanRowOut
    filterset_class = ReplanRowFilter
    http_method_names = ["get", "head", "options"]
    policy = {"list": "replan.read"}

    def get_queryset(self) -> Any:
        rows = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return rows
        replan = Replan.objects.visible_to(self.actor).filter(pk=self.kwargs["replan"]).first()
        if replan is None:
            raise ReplanUnknown(replan=self.kwargs["replan"])
        return rows.filter(pk__in=proposed_rows(replan).values("pk"))
