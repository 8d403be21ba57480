"""Sessions: checked beforehand, recorded once, taken back with a reason."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.filters import InstantFilter, WholeNumberFilter
from core.api.idempotency import idempotent
from core.vocabulary import choices
from courses.api.base import NeededReasonIn, RecordViewSet, version_if_given
from courses.models import Appointment, Course, Session, TreatmentPass
from courses.selectors.precheck import PassDraft, Report, Result, SessionDraft, finding_json
from courses.services.sessions import session_enter_in_error, session_preview, session_record
from courses.vocabulary import SessionStatus, SkinResponse
from devices.models import Laser

MOST_PASSES = 20
MOST_PULSES = 1_000_000


class KeyField(serializers.IntegerField):
    """The key of a row. Whether it is there the checks find out, for all rows in one query each."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"min_value": 1, "max_value": 2**63 - 1, **kwargs})


class FindingOut(serializers.Serializer[Any]):
    """One check: what it found, its numbers, which field it is about, and where it comes from."""

    id = serializers.CharField()
    version = serializers.CharField()
    result = serializers.ChoiceField(choices=choices(Result))
    detail = serializers.CharField()
    numbers = serializers.DictField()
    pointer = serializers.CharField(help_text="JSON Pointer into the body")
    overridable = serializers.BooleanField(
        help_text="A treating clinician may go on in spite of it, with a reason"
    )
    source = serializers.CharField()  # type: ignore[assignment]
    kind = serializers.CharField()


class PassOut(serializers.ModelSerializer[TreatmentPass]):
    """One pass, and the ledger entry of its pulses."""

    wavelength_nm = serializers.IntegerField(source="line.wavelength_nm", read_only=True)
    ended_at = AwareDateTimeField(source="pulse_entry.ended_at", read_only=True, allow_null=True)

    class Meta:
        model = TreatmentPass
        fields = (
            "sequence",
            "line",
            "wavelength_nm",
            "handpiece",
            "parts",
            "started_at",
            "ended_at",
            "spot_mm",
            "fluence_j_cm2",
            "pulse_duration_ns",
            "rate_hz",
            "pulses",
            "responses",
            "pulse_entry",
        )
        read_only_fields = fields


class SessionBrief(serializers.ModelSerializer[Session]):
    """A session in a list. `time_zone` is the clinic's; statuses are FHIR Procedure.status."""

    time_zone = serializers.CharField(source="clinic.time_zone", read_only=True)
    patient = serializers.IntegerField(source="course.patient_id", read_only=True)
    healing_window = serializers.IntegerField(
        source="healing_window.pk", read_only=True, allow_null=True, default=None
    )
    passes = PassOut(many=True, read_only=True)

    class Meta:
        model = Session
        fields = (
            "id",
            "version",
            "course",
            "patient",
            "appointment",
            "clinic",
            "time_zone",
            "room",
            "laser",
            "operator",
            "status",
            "status_reason",
            "started_at",
            "ended_at",
            "treated_on",
            "clearing_agent",
            "override_reason",
            "recorded_by",
            "note",
            "healing_window",
            "passes",
        )
        read_only_fields: Any = fields


class SessionOut(SessionBrief):
    """A session with what the checks found."""

    checks = FindingOut(many=True, read_only=True)

    class Meta(SessionBrief.Meta):
        fields = (*SessionBrief.Meta.fields, "checks")  # type: ignore[assignment]
        read_only_fields = fields


class PassPreviewIn(serializers.Serializer[Any]):
    """One pass to come: pulses may be left out."""

    line = KeyField(help_text="Emission line")
    handpiece = KeyField()
    parts = serializers.ListField(
        child=KeyField(), min_length=1, max_length=24, help_text="Parts of the course's tattoos"
    )
    started_at = AwareDateTimeField(required=False, help_text="Left out: when the session starts")
    ended_at = AwareDateTimeField(
        required=False, help_text="When its firing was over: the pulses must fit the time"
    )
    spot_mm = serializers.FloatField(min_value=0.1, max_value=100)
    fluence_j_cm2 = serializers.FloatField(min_value=0.001, max_value=1000)
    pulse_duration_ns = serializers.FloatField(min_value=0.001, max_value=1e9)
    rate_hz = serializers.FloatField(min_value=0.01, max_value=1000)
    pulses = serializers.IntegerField(min_value=1, max_value=MOST_PULSES, required=False)
    responses = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(SkinResponse)),
        max_length=len(SkinResponse),
        default=list,
    )


class PassIn(PassPreviewIn):
    """One pass over the area on one line."""

    started_at = AwareDateTimeField()
    pulses = serializers.IntegerField(min_value=1, max_value=MOST_PULSES)


class SessionPreviewIn(serializers.Serializer[Any]):
    """A session to come. Clinic, room, laser and operator may be those of the appointment."""

    course = VisibleRelatedField(queryset=Course.objects.all())
    appointment = VisibleRelatedField(
        queryset=Appointment.objects.all(), required=False, allow_null=True
    )
    clinic = KeyField(required=False)
    room = KeyField(required=False)
    laser = VisibleRelatedField(queryset=Laser.objects.all(), required=False)
    operator = KeyField(required=False, help_text="Member of staff")
    started_at = AwareDateTimeField(required=False, help_text="Left out: now")
    ended_at = AwareDateTimeField(required=False, allow_null=True)
    clearing_agent = serializers.BooleanField(default=False)
    others_present = serializers.IntegerField(
        min_value=0,
        max_value=20,
        default=0,
        help_text="People besides operator and patient: each needs eyewear",
    )
    passes: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=PassPreviewIn(), max_length=MOST_PASSES, default=list
    )


class SessionIn(SessionPreviewIn):
    """A session that happened."""

    started_at = AwareDateTimeField()
    status = serializers.ChoiceField(
        choices=[SessionStatus.COMPLETED.value, SessionStatus.STOPPED.value],
        default=SessionStatus.COMPLETED.value,
    )
    status_reason = serializers.CharField(
        max_length=400, allow_blank=True, default="", help_text="Why it was stopped"
    )
    note = serializers.CharField(max_length=1000, allow_blank=True, default="")
    override_reason = serializers.CharField(
        max_length=400,
        allow_blank=True,
        default="",
        help_text="A treating clinician's reason to treat in spite of an overridable check",
    )
    passes: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=PassIn(), min_length=1, max_length=MOST_PASSES
    )


class SessionPreviewOut(serializers.Serializer[Any]):
    """What the checks say."""

    would_record = serializers.BooleanField(help_text="Nothing failed")
    overridable = serializers.BooleanField(
        help_text="Something failed, and a treating clinician's reason would do"
    )
    checks = FindingOut(many=True)
    caution = serializers.CharField()


class SessionFilter(filters.FilterSet):
    """Of whom, where, with what and whom, when, in which state."""

    start = InstantFilter(field_name="started_at", lookup_expr="gte")
    end = InstantFilter(field_name="started_at", lookup_expr="lt")
    patient = WholeNumberFilter(field_name="course__patient")
    course = WholeNumberFilter()
    clinic = WholeNumberFilter()
    laser = WholeNumberFilter()
    operator = WholeNumberFilter()
    status = filters.MultipleChoiceFilter(choices=choices(SessionStatus))

    class Meta:
        model = Session
        fields = ("course", "clinic", "laser", "operator")


@extend_schema_view(
    list=extend_schema(summary="List sessions"), retrieve=extend_schema(summary="Show a session")
)
class SessionViewSet(RecordViewSet):
    """Treatments of the chain."""

    queryset = Session.objects.select_related(
        "clinic", "course", "healing_window"
    ).prefetch_related("passes__line", "passes__parts", "passes__pulse_entry")
    serializer_class = SessionOut
    filterset_class = SessionFilter
    keyset = ("started_at", "id")
    conditional_if_told = ("mark_entered_in_error",)
    policy = {
        "list": "session.read",
        "retrieve": "session.read",
        "create": "session.write",
        "preview": "session.write",
        "mark_entered_in_error": "session.correct",
    }

    def get_serializer_class(self) -> Any:
        return SessionBrief if self.action == "list" else SessionOut

    @extend_schema(request=SessionIn, responses={201: SessionOut}, summary="Record a session")
    @idempotent(required=True)
    def create(self, request: Request) -> Response:
        """Record a session: checks, passes, pulses and healing window, all or nothing.

        For laser operators and treating clinicians of the clinic. 422 `session_refused` lists
        every check that failed; those marked `overridable` give way to a treating clinician's
        reason. A torn epidermis makes it `stopped` and holds the window.
        """
        session = session_record(
            draft=_draft(self.parse(SessionIn)), actor=self.actor, now=self.now()
        )
        return self.present(self.get_queryset().get(pk=session.pk), status=201)

    @extend_schema(
        request=SessionPreviewIn,
        responses=SessionPreviewOut,
        summary="Check a session beforehand",
    )
    @action(detail=False, methods=["post"])
    def preview(self, request: Request) -> Response:
        """What the checks say of a session to come; nothing is stored.

        For laser operators and treating clinicians of the clinic.
        """
        body = self.parse(SessionPreviewIn)
        report = session_preview(draft=_draft({"started_at": self.now(), **body}), actor=self.actor)
        self.shows, self.shown = "courses.Course", [getattr(body["course"], "pk", body["course"])]
        return self.show(SessionPreviewOut, _report_shown(report))

    @extend_schema(
        request=NeededReasonIn, responses=SessionOut, summary="Mark a session as entered in error"
    )
    @action(detail=True, methods=["post"], url_path="mark-entered-in-error")
    @idempotent(required=False)
    def mark_entered_in_error(self, request: Request, pk: str) -> Response:
        """It did not happen like this: its pulses are taken back in the ledger.

        For treating clinicians of the clinic. The session can be recorded anew.
        """
        session = session_enter_in_error(
            session_id=int(pk),
            reason=self.parse(NeededReasonIn)["reason"],
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(request),
        )
        return self.present(self.get_queryset().get(pk=session.pk))


def _draft(body: dict[str, Any]) -> SessionDraft:
    keys = {
        f"{name}_id": getattr(body[name], "pk", body[name])
        for name in ("course", "appointment", "clinic", "room", "laser", "operator")
        if body.get(name) is not None
    }
    kept = (
        *("ended_at", "clearing_agent", "others_present"),
        *("status_reason", "note", "override_reason"),
    )
    return SessionDraft(
        started_at=body["started_at"],
        passes=tuple(_pass(one, session_starts=body["started_at"]) for one in body["passes"]),
        status=SessionStatus(body.get("status", SessionStatus.COMPLETED)),
        **keys,
        **{name: body[name] for name in kept if name in body},
    )


def _pass(body: dict[str, Any], *, session_starts: Any) -> PassDraft:
    return PassDraft(
        line_id=body["line"],
        handpiece_id=body["handpiece"],
        part_ids=tuple(dict.fromkeys(body["parts"])),
        started_at=body.get("started_at", session_starts),
        spot_mm=body["spot_mm"],
        fluence_j_cm2=body["fluence_j_cm2"],
        pulse_duration_ns=body["pulse_duration_ns"],
        rate_hz=body["rate_hz"],
        pulses=body.get("pulses"),
        ended_at=body.get("ended_at"),
        responses=tuple(SkinResponse(code) for code in dict.fromkeys(body["responses"])),
    )


def _report_shown(report: Report) -> dict[str, Any]:
    return {
        "would_record": not report.failed,
        "overridable": report.overridable,
        "checks": [finding_json(one) for one in report.findings],
        "caution": report.caution,
    }
