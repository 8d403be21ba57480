"""The erasure of a patient's personal data, what would go by a chain's policy, and the policy."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Chain
from core.api.idempotency import idempotent
from core.api.views import FallowView
from courses.api.base import NeededReasonIn
from courses.errors import PatientUnknown
from courses.errors.erasure import ErasureUnknown
from courses.models import Erasure, Patient
from courses.retention import CAUTION, VALUES, retention_policy_of
from courses.selectors.retention import (
    changes_to_forget,
    erasure_proposals,
    feeds_to_forget,
    messages_to_unname,
    reads_to_forget,
)
from courses.services.erasure import erasure_ask

MOST_SHOWN = 100


class ErasureIn(NeededReasonIn):
    """Why, and whether law allows it before the chain's time is over."""

    reason = serializers.CharField(max_length=400, help_text="Kept for ever; names no patient")
    despite_retention = serializers.BooleanField(
        default=False,
        help_text="Law allows it although the chain's policy would still keep the record",
    )


class ErasureOut(serializers.ModelSerializer[Erasure]):
    """That the personal data were to go, and since when they are gone (null: within minutes)."""

    done_at = serializers.SerializerMethodField()
    rows = serializers.SerializerMethodField()
    caution = serializers.SerializerMethodField()

    class Meta:
        model = Erasure
        fields = (
            "patient",
            "reason",
            "retained_until",
            "asked_by",
            "asked_at",
            "done_at",
            "rows",
            "caution",
        )
        read_only_fields = fields

    def get_done_at(self, erasure: Erasure) -> str | None:
        """When the last of it was written over."""
        done = getattr(erasure, "done", None)
        return serializers.DateTimeField().to_representation(done.done_at) if done else None

    def get_rows(self, erasure: Erasure) -> dict[str, int] | None:
        """Rows written over, by kind."""
        done = getattr(erasure, "done", None)
        return dict(done.rows) if done else None

    def get_caution(self, _: Erasure) -> str:
        """What has to be known of it."""
        return CAUTION


class ErasureView(FallowView):
    """The erasure of one patient."""

    policy = {"get": "patient.erase", "post": "patient.erase"}
    shows = "courses.Patient"
    untagged = ("post",)

    @extend_schema(responses=ErasureOut, summary="Show the erasure of a patient")
    def get(self, request: Request, pk: int) -> Response:
        """Who asked for it, why, and whether it is done. For managers of the chain."""
        rows = Erasure.objects.visible_to(self.actor).select_related("done")
        found = rows.filter(patient=pk).first()
        if found is None:
            raise ErasureUnknown(patient=pk)
        return self.show(ErasureOut, found)

    @extend_schema(
        request=ErasureIn, responses={202: ErasureOut}, summary="Erase a patient's personal data"
    )
    @idempotent(required=False)
    def post(self, request: Request, pk: int) -> Response:
        """Name, addresses, notes and birth date go; sessions and pulses stay, under a pseudonym.

        The record is closed at once, and the words in it, in its ledgers and its history are
        written over within minutes; it cannot be taken back. 409 while a course has not ended or
        a visit is booked, 422 while the chain's policy keeps the record, unless
        `despite_retention` says that law allows it. Asked again it changes nothing. For managers
        of the chain.
        """
        told = self.parse(ErasureIn)
        if not Patient.objects.visible_to(self.actor).filter(pk=pk).exists():
            raise PatientUnknown(patient=pk)
        erasure = erasure_ask(
            patient_id=pk,
            reason=told["reason"],
            despite_retention=told["despite_retention"],
            actor=self.actor,
            now=self.now(),
        )
        where = request.build_absolute_uri()
        return self.show(ErasureOut, erasure, status=202, location=where)


class RetentionValueOut(serializers.Serializer[Any]):
    """One value of the policy."""

    name = serializers.CharField()
    value = serializers.IntegerField(help_text="In force")
    default = serializers.IntegerField()
    least = serializers.IntegerField()
    most = serializers.IntegerField()
    unit = serializers.CharField()
    meaning = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class RetentionOut(serializers.Serializer[Any]):
    """What is kept how long, and what would go today."""

    values = serializers.ListField(child=RetentionValueOut())
    records_before = serializers.DateField(
        help_text="Whose last contact was before is proposed for erasure"
    )
    patients = serializers.IntegerField(help_text="Patients proposed for erasure")
    patient_ids = serializers.ListField(
        child=serializers.IntegerField(), help_text="The first 100 of them, by key"
    )
    messages = serializers.IntegerField(help_text="Messages whose provider's names would go")
    calendar_feeds = serializers.IntegerField(help_text="Closed calendars that would go")
    record_reads = serializers.IntegerField(help_text="Notes of reads of records that would go")
    changes = serializers.IntegerField(help_text="Changes in the history that would go")
    caution = serializers.CharField()


class RetentionView(FallowView):
    """The policy of the chain about how long it keeps what it knows."""

    policy = {"get": "patient.erase"}

    @extend_schema(responses=RetentionOut, summary="Show how long records are kept and what is due")
    def get(self, request: Request) -> Response:
        """The values in force, and what would go by them today.

        Patients are proposed only: a person erases each. The traces go by themselves, within an
        hour. The values are changed at `/chain` (`retention_policy`). For managers of the chain.
        """
        now, chain = self.now(), Chain.objects.visible_to(self.actor).get()
        policy = retention_policy_of(chain.retention_policy)
        before = policy.records_before(now.date())
        due = erasure_proposals(Patient.objects.visible_to(self.actor), before=before)
        of_chain = {"chain_id": chain.pk, "policy": policy, "now": now}
        shown = {
            "values": [
                {
                    "name": name,
                    "value": getattr(policy, name),
                    "default": one.default,
                    "least": one.least,
                    "most": one.most,
                    "unit": one.unit,
                    "meaning": one.meaning,
                    "source": one.source,
                }
                for name, one in VALUES.items()
            ],
            "records_before": before,
            "patients": due.count(),
            "patient_ids": list(due.order_by("pk").values_list("pk", flat=True)[:MOST_SHOWN]),
            "messages": messages_to_unname(**of_chain).count(),
            "calendar_feeds": feeds_to_forget(**of_chain).count(),
            "record_reads": reads_to_forget(**of_chain).count(),
            "changes": changes_to_forget(**of_chain).count(),
            "caution": CAUTION,
        }
        return self.show(RetentionOut, shown)
