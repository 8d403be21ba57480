"""The front desk's list of who is ready and not booked."""

from datetime import date, datetime, timedelta
from typing import Any, Final

from django.db.models import Prefetch, QuerySet
from django.utils import timezone
from django_filters import rest_framework as filters
from drf_spectacular.utils import (
    extend_schema,
    extend_schema_field,
    extend_schema_view,
)
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import DayField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.viewsets import ListMixin
from core.vocabulary import choices
from courses.api.patients import ContactPointOut
from courses.api.recalls import REASON_HELP, PatientBrief
from courses.models import ContactPoint, Course, Message, Recall, RecallPause
from courses.selectors.recalls.desk_list import (
    desk_list,
    desk_rows,
    desk_state,
    in_states,
    never_booked_again,
    put_off,
    recall_to_act_on,
    recalls_shown,
    with_sessions_done,
)
from courses.services.recalls.snoozing import recall_snooze
from courses.timing.dropout import DropOutRisk, drop_out_risk
from courses.timing.words import DeskState, Standing
from courses.vocabulary import MessageStatus

RISK_NOTE = "A proposal of this service to compare patients by, from no study; it predicts nothing."


class RiskPartOut(serializers.Serializer[Any]):
    """What one fact adds: `counted` times `each`."""

    name = serializers.CharField()
    value = serializers.IntegerField()
    counted = serializers.IntegerField()
    each = serializers.IntegerField()
    points = serializers.IntegerField()


class DropOutRiskOut(serializers.Serializer[Any]):
    """A sum of plain parts."""

    points = serializers.IntegerField()
    parts = RiskPartOut(many=True)
    note = serializers.CharField(default=RISK_NOTE)


class OpenCallOut(serializers.ModelSerializer[Message]):
    """A call that waits: record what came of it with `POST /messages/{id}/record-call`."""

    class Meta:
        model = Message
        fields = ("id", "version", "recall", "contact_point", "due_at", "attempt")
        read_only_fields = fields


class DeskRecallOut(serializers.ModelSerializer[Recall]):
    """An invitation: the next that stands, else the last. Its id withdraws all about this window.

    Who withdrew it stands in `withdrawn_by`; `on-hold` says in `status_reason` why nobody could be
    reached. With `outcome_unknown` somebody has to find out: `/messages?recall={id}` has the
    message for `POST /messages/{id}/record-outcome`.
    """

    status_reason = serializers.CharField(read_only=True, help_text=REASON_HELP)

    class Meta:
        model = Recall
        fields = ("id", "version", "step", "due_at", "status", "status_reason", "withdrawn_by")
        read_only_fields = fields


class DeskPauseOut(serializers.ModelSerializer[RecallPause]):
    """Asked for later: no invitation before `until`. `set_by` is null when the patient asked."""

    class Meta:
        model = RecallPause
        fields = ("id", "until", "reason", "set_by", "set_at")
        read_only_fields = fields


class DeskRowOut(serializers.ModelSerializer[Course]):
    """A course that is ready and has no visit.

    `id` is the course. One action each, all of them POST: `/messages/{call.id}/record-call`,
    `/slot-searches` and `/appointments` with this course, `/recall-list/{id}/snooze`,
    `/recalls/{recall.id}/withdraw`, `/contact-points/{contact_points.id}/opt-out` and, for an
    address that is off, `/contact-points/{contact_points.id}/reinstate`. What stands as `version`
    beside an id is what If-Match asks for (`"3"` for 3). `contact_points` is null for roles that
    need not reach patients.
    """

    patient = PatientBrief(read_only=True)
    state = serializers.SerializerMethodField()
    ready_on = serializers.DateField(read_only=True)
    days_overdue = serializers.SerializerMethodField()
    sessions_done = serializers.IntegerField(read_only=True, help_text="That treated skin")
    last_session_at = serializers.DateTimeField(read_only=True, allow_null=True)
    days_since_session = serializers.SerializerMethodField()
    never_booked_again = serializers.BooleanField(
        read_only=True, help_text="No visit after the last session was ever booked"
    )
    last_sent_at = serializers.DateTimeField(read_only=True, allow_null=True)
    last_reply = serializers.CharField(read_only=True, allow_null=True)
    drop_out_risk = serializers.SerializerMethodField()
    call = serializers.SerializerMethodField()
    recall = serializers.SerializerMethodField()
    pause = serializers.SerializerMethodField()
    contact_points = serializers.SerializerMethodField()

    class Meta:
        model = Course
        fields = (
            "id",
            "clinic",
            "patient",
            "state",
            "ready_on",
            "days_overdue",
            "sessions_done",
            "last_session_at",
            "days_since_session",
            "never_booked_again",
            "last_sent_at",
            "last_reply",
            "drop_out_risk",
            "call",
            "recall",
            "pause",
            "contact_points",
        )
        read_only_fields = fields

    @extend_schema_field(serializers.ChoiceField(choices=choices(DeskState)))
    def get_state(self, course: Course) -> str:
        """Where the patient stands.

        `due`: nobody has been told yet. `invited`: told less than a week ago. `no_answer`: told
        longer ago. `answered`: something was answered since. `to_call`: a call waits for the front
        desk. `unreachable`: no contact point works and allows invitations (`recall.status_reason`).
        `withdrawn`: somebody ended it, and no invitation about this window follows.
        """
        return desk_state(course, now=self._now()).value

    def get_days_overdue(self, course: Any) -> int:
        """Days since the skin was ready: the last window of the course closed on `ready_on`."""
        ready: date = course.ready_on
        return max(0, (self._now().date() - ready).days)

    def get_days_since_session(self, course: Any) -> int | None:
        """Days since the last session that treated skin (UTC)."""
        last: datetime | None = course.last_session_at
        return None if last is None else max(0, (self._now().date() - last.date()).days)

    @extend_schema_field(DropOutRiskOut)
    def get_drop_out_risk(self, course: Any) -> dict[str, Any]:
        """Points and their parts."""
        risk: DropOutRisk = drop_out_risk(
            days_overdue=self.get_days_overdue(course),
            no_shows=course.no_shows,
            unanswered=0 if course.standing == Standing.ANSWERED else course.unanswered,
        )
        shown = {"points": risk.points, "parts": risk.parts, "note": RISK_NOTE}
        return dict(DropOutRiskOut(shown).data)

    @extend_schema_field(OpenCallOut(allow_null=True))
    def get_call(self, course: Course) -> dict[str, Any] | None:
        """The call that waits, if one does."""
        for recall in course.recalls.all():
            for message in recall.messages.all():
                if message.status == MessageStatus.ON_HOLD:
                    return dict(OpenCallOut(message).data)
        return None

    @extend_schema_field(DeskRecallOut(allow_null=True))
    def get_recall(self, course: Course) -> dict[str, Any] | None:
        """What can be withdrawn; null before the first step was planned."""
        recall = recall_to_act_on(course.recalls.all())
        return dict(DeskRecallOut(recall).data) if recall else None

    @extend_schema_field(DeskPauseOut(allow_null=True))
    def get_pause(self, course: Any) -> dict[str, Any] | None:
        """Until when invitations are put off, if they are."""
        newest = next(iter(course.recall_pauses.all()), None)
        running = newest is not None and newest.until > self._now().date()
        return dict(DeskPauseOut(newest).data) if running else None

    @extend_schema_field(ContactPointOut(many=True, allow_null=True))
    def get_contact_points(self, course: Course) -> list[dict[str, Any]] | None:
        """Shown to whoever may read contact points."""
        if not self.context["request"].actor.may("contact_point.read"):
            return None
        points = course.patient.contact_points.all()
        return list(ContactPointOut(points, many=True).data)

    def _now(self) -> datetime:
        now: datetime = self.context["view"].now()
        return now


class DeskListFilter(filters.FilterSet):
    """Where, in which state, overdue by how much, after how many sessions never booked again."""

    clinic = WholeNumberFilter(field_name="recall_plan__clinic")
    patient = WholeNumberFilter()
    state = filters.MultipleChoiceFilter(method="standing", choices=choices(DeskState))
    overdue_days = WholeNumberFilter(
        method="overdue", min_value=0, max_value=3650, help_text="At least so many days"
    )
    sessions_done = WholeNumberFilter(method="after_sessions", min_value=0, max_value=200)
    # A BooleanFilter would take any other word for no filter.
    never_booked_again = filters.TypedChoiceFilter(
        method="not_since",
        choices=[("true", "true"), ("false", "false")],
        coerce=lambda told: told == "true",
        help_text="Whether no visit after the last session was ever booked",
    )

    put_off = filters.TypedChoiceFilter(
        method="until_later",
        choices=[("true", "true"), ("false", "false")],
        coerce=lambda told: told == "true",
        help_text="Whether somebody asked for no invitation before a day that is to come",
    )

    class Meta:
        model = Course
        fields = ("patient",)

    def standing(self, rows: QuerySet[Any], _name: str, value: list[str]) -> QuerySet[Any]:
        """In one of these states."""
        states = [DeskState(code) for code in value]
        return in_states(rows, states, now=timezone.now()) if states else rows

    def after_sessions(self, rows: QuerySet[Any], _name: str, value: Any) -> QuerySet[Any]:
        """After just so many sessions."""
        return with_sessions_done(rows, int(value))

    def not_since(self, rows: QuerySet[Any], _name: str, value: Any) -> QuerySet[Any]:
        """With or without a visit booked after the last session."""
        return never_booked_again(rows, told=bool(value))

    def until_later(self, rows: QuerySet[Any], _name: str, value: Any) -> QuerySet[Any]:
        """With or without a pause that runs."""
        return put_off(rows, told=bool(value), now=timezone.now())

    def overdue(self, rows: QuerySet[Any], _name: str, value: Any) -> QuerySet[Any]:
        """Ready for at least so many days."""
        until = timezone.now().date() - timedelta(days=int(value))
        return rows.filter(recall_plan__ready_on__lte=until)


class SnoozeIn(serializers.Serializer[Any]):
    """Until when, and why."""

    until = DayField()
    reason = serializers.CharField(max_length=200, allow_blank=True, default="")


class RecallPauseOut(serializers.ModelSerializer[RecallPause]):
    """No invitation to this course before a day."""

    class Meta:
        model = RecallPause
        fields = ("id", "course", "until", "reason", "set_by", "set_at")
        read_only_fields = fields


SHOWN: Final = Course.objects.select_related("patient").prefetch_related(
    Prefetch("patient__contact_points", ContactPoint.objects.order_by("rank", "id")),
    Prefetch("recalls", recalls_shown()),
    Prefetch(
        "recall_pauses", RecallPause.objects.order_by("course_id", "-pk").distinct("course_id")
    ),
    Prefetch("recalls__messages", Message.objects.filter(status=MessageStatus.ON_HOLD)),
)


@extend_schema_view(list=extend_schema(summary="List who is ready and not booked"))
class RecallListViewSet(ListMixin):
    """Who is ready, has no visit, and where each stands; longest ready first.

    For the front desk: name a clinic. A page costs what it shows and what its filters skip.
    """

    queryset = Course.objects.all()
    serializer_class = DeskRowOut
    filterset_class = DeskListFilter
    keyset = ("ready_on", "id")
    policy = {"list": "recall.read", "snooze": "recall.write"}
    # It is shown in the row of its course.
    unaddressed = untagged = ("snooze",)

    def get_queryset(self) -> QuerySet[Course]:
        rows: QuerySet[Course] = super().get_queryset()
        return desk_list(rows, now=self.now())

    def paginate_queryset(self, queryset: Any) -> Any:
        """First which courses are on the page, then all about these."""
        page = super().paginate_queryset(queryset) or []
        ready = {row.pk: row.ready_on for row in page}
        shown = desk_rows(SHOWN.visible_to(self.actor).filter(pk__in=ready), now=self.now())
        rows: dict[int, Any] = {row.pk: row for row in shown}
        for pk, row in rows.items():
            row.ready_on = ready[pk]
        return [rows[pk] for pk in ready if pk in rows]

    @extend_schema(request=SnoozeIn, responses={201: RecallPauseOut}, summary="Put invitations off")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def snooze(self, request: Request, pk: str) -> Response:
        """No invitation before that day; then they begin anew. The newest counts.

        For the front desk and the treating clinician of the clinic that leads the course.
        """
        told = self.parse(SnoozeIn)
        pause = recall_snooze(
            course_id=int(pk),
            until=told["until"],
            reason=told["reason"],
            actor=self.actor,
            now=self.now(),
        )
        return self.show(RecallPauseOut, pause, status=201)
