"""A chain's cadence of recalls, reminders and check-ins, version by version."""

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.idempotency import idempotent
from core.api.views import FallowView
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.patients import LANGUAGE
from courses.models import RecallPolicy
from courses.selectors.recalls.policies import cadence_in_force
from courses.services.recalls.policies import recall_policy_set
from courses.timing import document_of
from courses.timing.cadence import PLANNED
from courses.timing.words import ClosedDays
from courses.vocabulary import Channel, RecallKind

TIME_HELP = "Wall time such as 10:00"


class QuietSpanSerializer(serializers.Serializer[Any]):
    """Hours in which a channel is quiet, in the recipient's wall time; may pass midnight."""

    def get_fields(self) -> dict[str, Any]:
        """`from` is no name that a class may have as an attribute."""
        return {
            "from": serializers.RegexField(r"^\d\d:\d\d$", help_text=TIME_HELP),
            "until": serializers.RegexField(r"^\d\d:\d\d$", help_text=TIME_HELP),
        }


class CadenceStepSerializer(serializers.Serializer[Any]):
    """One message: `days` from the closing day, the visit's or the session's day."""

    kind = serializers.ChoiceField(
        choices=[(code, label) for code, label in choices(RecallKind) if code in PLANNED]
    )
    key = serializers.CharField(max_length=40, help_text="Its name, once for each kind")
    days = serializers.IntegerField(help_text="Before (negative) or after")
    template = serializers.CharField(
        max_length=40, help_text="Which text is sent: one of this kind, see `/message-texts`"
    )
    channels = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(Channel)),
        required=False,
        help_text="Tried in this order; none named: the patient's own order",
    )
    closed_days = serializers.ChoiceField(
        choices=choices(ClosedDays),
        required=False,
        help_text="On a day on which the clinic is closed: wait for the next open one, or send",
    )
    desk = serializers.BooleanField(
        required=False,
        help_text="Whoever is not reached by it is put on the front desk's list",
    )


class CadenceSerializer(serializers.Serializer[Any]):
    """All steps of a cadence, its civil hour, quiet hours of each channel, and language."""

    civil_hour = serializers.RegexField(r"^\d\d:\d\d$", required=False, help_text=TIME_HELP)
    quiet_hours = serializers.DictField(
        child=QuietSpanSerializer(), required=False, help_text="By channel"
    )
    language = serializers.RegexField(
        LANGUAGE,
        max_length=8,
        required=False,
        help_text="Of texts for patients for whose own language there are no words",
    )
    steps = CadenceStepSerializer(many=True)


class RecallPolicyOut(serializers.ModelSerializer[RecallPolicy]):
    """A version of the cadence. The highest number is in force."""

    document = CadenceSerializer(read_only=True)

    class Meta:
        model = RecallPolicy
        fields = ("id", "number", "document", "note", "set_by", "set_at")
        read_only_fields = fields


class RecallPolicyIn(serializers.Serializer[Any]):
    """A new version, made from the one with the number `based_on`."""

    document = CadenceSerializer()
    based_on = serializers.IntegerField(
        min_value=0, help_text="Number of the version in force; 0 is the default"
    )
    note = serializers.CharField(max_length=200, allow_blank=True, default="")


class CadenceInForceOut(serializers.Serializer[Any]):
    """The cadence in force; number 0 is the default."""

    number = serializers.IntegerField()
    document = CadenceSerializer()


@extend_schema_view(
    list=extend_schema(summary="List the versions of the recall policy"),
    retrieve=extend_schema(summary="Show a version of the recall policy"),
)
class RecallPolicyViewSet(ListMixin, RetrieveMixin):
    """Every version that the chain has had; a version never changes."""

    queryset = RecallPolicy.objects.all()
    serializer_class = RecallPolicyOut
    http_method_names = ["get", "post", "head", "options"]
    policy = {
        "list": "recall.read",
        "retrieve": "recall.read",
        "create": "recall_policy.write",
    }

    @extend_schema(
        request=RecallPolicyIn, responses={201: RecallPolicyOut}, summary="Change the recall policy"
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Put a new version in force. Plans follow within the next ticks.

        For managers of the whole chain.
        """
        told = self.parse(RecallPolicyIn)
        policy = recall_policy_set(
            document=told["document"],
            based_on=told["based_on"],
            note=told["note"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(policy, status=201)


class CadenceInForceView(FallowView):
    """The cadence by which the chain's recalls are planned at present."""

    policy = {"get": "recall.read"}

    @extend_schema(responses=CadenceInForceOut, summary="The recall policy in force")
    def get(self, request: Request) -> Response:
        """The version in force, or the default. For whoever reads recalls.

        The default for reminders follows a published trial (Steiner 2018, Am J Manag Care
        24:377); it claims nothing about this chain.
        """
        cadence = cadence_in_force(self.actor.chain_id)
        answer = {"number": cadence.number, "document": document_of(cadence)}
        return self.show(CadenceInForceOut, answer)
