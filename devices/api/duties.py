"""Safety duties over HTTP: the list of what is due, start-up checks, records, the chain's lists."""

from typing import Any, Final

from drf_spectacular.utils import (
    OpenApiParameter,
    extend_schema,
    extend_schema_view,
)
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic, Room
from core.api.fields import AwareDateTimeField, DayField, VisibleRelatedField
from core.api.filters import invalid_parameter
from core.api.idempotency import idempotent
from core.api.serializers import ComputedOut, RowSerializer
from core.api.views import FallowView
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from devices.api.computed import CAUTION
from devices.api.duty_filters import DutyRecordFilter, StartUpCheckFilter
from devices.models import DutyRecord, Laser, StartUpCheck
from devices.safety.duty_rules import CODE, DutyRules
from devices.selectors.duties import duty_standings
from devices.selectors.start_up import duty_policy_of, duty_rules, failed_items
from devices.services import duties as services
from devices.vocabulary import DutyState, DutySubject

DUTIES: Final = {
    "id": "safety-duties",
    "version": "1",
    "source": "The chain's lists (`/duty-policy`), each entry with its source",
    "kind": "common_practice",
}


class StartUpAnswerOut(serializers.Serializer[Any]):
    """One thing that was looked at."""

    code = serializers.CharField()
    ok = serializers.BooleanField()
    note = serializers.CharField(allow_blank=True)


class StartUpAnswerIn(serializers.Serializer[Any]):
    """One thing that was looked at; what is not well needs a note."""

    code = serializers.RegexField(rf"\A{CODE.pattern}\Z")
    ok = serializers.BooleanField()
    note = serializers.CharField(max_length=200, allow_blank=True, default="")


class StartUpCheckOut(RowSerializer):
    """A start-up check; the latest of a day counts. `failed` says what was not well."""

    items = StartUpAnswerOut(many=True)
    failed = serializers.SerializerMethodField()

    class Meta:
        model = StartUpCheck
        fields = [
            "id",
            "clinic",
            "laser",
            "room",
            "day",
            "checked_at",
            "checked_by",
            "items",
            "passed",
            "failed",
            "note",
        ]

    def get_failed(self, check: StartUpCheck) -> list[str]:
        return list(failed_items(check, self.context["view"].rules()))


class StartUpCheckIn(serializers.Serializer[Any]):
    """A start-up check of a laser or a room: name one."""

    laser = VisibleRelatedField(queryset=Laser.objects.select_related("clinic"), required=False)
    room = VisibleRelatedField(queryset=Room.objects.select_related("clinic"), required=False)
    items = StartUpAnswerIn(many=True)
    checked_at = AwareDateTimeField(required=False, help_text="Now when left out")
    note = serializers.CharField(max_length=400, allow_blank=True, default="")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("laser" in attrs) == ("room" in attrs):
            raise serializers.ValidationError({"laser": "Name a laser or a room."}, code="either")
        return attrs


@extend_schema_view(
    list=extend_schema(summary="List start-up checks"),
    retrieve=extend_schema(summary="Show a start-up check"),
)
class StartUpCheckViewSet(ListMixin, RetrieveMixin):
    """Start-up checks, the latest recorded first. They are never changed: check again."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = StartUpCheck.objects.all()
    serializer_class = StartUpCheckOut
    filterset_class = StartUpCheckFilter
    keyset = ("-id",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "start_up_check.write",
    }
    _rules: DutyRules | None = None

    def rules(self) -> DutyRules:
        """The chain's lists, read once for each request."""
        if self._rules is None:
            self._rules = duty_rules(duty_policy_of(self.actor.chain_id))
        return self._rules

    @extend_schema(
        request=StartUpCheckIn,
        responses={201: StartUpCheckOut},
        summary="Record a start-up check",
    )
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Record today's check of a laser or a room: whoever treats, officer or manager there.

        It answers everything on the chain's list for it. One that fails warns of sessions there
        for the rest of the day, or refuses them, as the chain's `/duty-policy` says, until a
        later check passes.
        """
        given = self.parse(StartUpCheckIn)
        check = services.start_up_check_record(
            device=given.get("laser") or given["room"],
            items=given["items"],
            checked_at=given.get("checked_at", self.now()),
            note=given["note"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(check, status=status.HTTP_201_CREATED)


class DutyRecordOut(RowSerializer):
    """That a periodic duty was done; one that `withdraws` another says why in `outcome`."""

    counts = serializers.SerializerMethodField(help_text="Neither withdrawn nor a withdrawal")

    class Meta:
        model = DutyRecord
        fields = [
            "id",
            "clinic",
            "duty",
            "done_on",
            "done_by",
            "outcome",
            "recorded_by",
            "recorded_at",
            "withdraws",
            "counts",
        ]

    def get_counts(self, record: DutyRecord) -> bool:
        return record.withdraws_id is None and not hasattr(record, "withdrawal")


class DutyRecordIn(serializers.Serializer[Any]):
    """What was done, by whom and with which outcome."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    duty = serializers.RegexField(
        rf"\A{CODE.pattern}\Z", help_text="One of the periodic duties of `/duty-policy`"
    )
    done_on = DayField()
    done_by = serializers.CharField(max_length=120, help_text="Such as an adviser from outside")
    outcome = serializers.CharField(max_length=1000)


class WithdrawalIn(serializers.Serializer[Any]):
    """Why it was recorded in error."""

    reason = serializers.CharField(max_length=400)


@extend_schema_view(
    list=extend_schema(summary="List records of duties"),
    retrieve=extend_schema(summary="Show a record of a duty"),
)
class DutyRecordViewSet(ListMixin, RetrieveMixin):
    """Periodic duties that were done, the latest recorded first."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = DutyRecord.objects.select_related("withdrawal")
    serializer_class = DutyRecordOut
    filterset_class = DutyRecordFilter
    keyset = ("-id",)
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "duty.write",
        "withdraw": "duty.withdraw",
    }

    @extend_schema(
        request=DutyRecordIn, responses={201: DutyRecordOut}, summary="Record that a duty was done"
    )
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Record an audit, an inventory or the like: manager or laser safety officer there."""
        fields = self.parse(DutyRecordIn)
        record = services.duty_record(
            clinic=fields.pop("clinic"), fields=fields, actor=self.actor, now=self.now()
        )
        return self.present(record, status=status.HTTP_201_CREATED)

    @extend_schema(
        request=WithdrawalIn, responses={201: DutyRecordOut}, summary="Withdraw a record of a duty"
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def withdraw(self, request: Request, **kwargs: Any) -> Response:
        """Let one that was recorded in error count no longer: laser safety officer there."""
        row = services.duty_record_withdraw(
            pk=self.get_object().pk,
            reason=self.parse(WithdrawalIn)["reason"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(row, status=status.HTTP_201_CREATED)


class DutyStandingOut(serializers.Serializer[Any]):
    """One duty of one thing."""

    clinic = serializers.IntegerField(source="clinic_id")
    duty = serializers.CharField()
    text = serializers.CharField()
    subject = serializers.ChoiceField(choices=choices(DutySubject))
    subject_id = serializers.IntegerField()
    subject_name = serializers.CharField()
    state = serializers.ChoiceField(
        choices=choices(DutyState), help_text="`overdue`, `never` and `failed` are late"
    )
    late = serializers.BooleanField()
    due_at = AwareDateTimeField(help_text="From then on it is late")
    last_at = AwareDateTimeField(allow_null=True)
    detail = serializers.CharField(allow_blank=True)
    source = serializers.CharField()  # type: ignore[assignment]


class DutiesOut(ComputedOut):
    """How the duties of a clinic, or of all clinics of the chain, stand."""

    at = AwareDateTimeField()
    late = serializers.IntegerField(help_text="How many are late")
    duties = DutyStandingOut(many=True)


class DutiesView(FallowView):
    """The list of what is overdue."""

    policy = {"get": "device.read"}
    extra_query_params = ("clinic", "late")

    @extend_schema(
        parameters=[
            OpenApiParameter("clinic", int, description="Of one clinic; else of the chain"),
            OpenApiParameter("late", bool, description="true: only what is late"),
        ],
        responses=DutiesOut,
        summary="How safety duties stand",
    )
    def get(self, request: Request) -> Response:
        """Start-up checks of today, audits and the like, officers, training, eyewear, incidents.

        Computed when asked, the longest overdue first. Everyone may ask.
        """
        clinics = Clinic.objects.visible_to(self.actor)
        wanted, only_late = request.query_params.get("clinic"), request.query_params.get("late")
        if wanted is not None:
            clinics = clinics.filter(pk=wanted if _is_key(wanted) else 0)
            if not clinics.exists():
                raise invalid_parameter("clinic", detail="No such clinic.")
        if only_late not in {None, "true", "false"}:
            raise invalid_parameter("late", detail="Say true or false.")
        now = self.now()
        found = duty_standings(clinics, chain_id=self.actor.chain_id, now=now)
        answer = {
            "at": now,
            "late": sum(one.late for one in found),
            "duties": [one for one in found if one.late or only_late != "true"],
            "basis": [DUTIES],
            "caution": CAUTION,
        }
        return self.show(DutiesOut, answer)


def _is_key(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 18
