"""What re-plans answer: what is hit, what is proposed, and how good that is."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from core.api.fields import AwareDateTimeField
from core.api.serializers import BasisOut
from core.vocabulary import choices
from courses.api.slots import ReasonOut
from courses.models import Appointment, Recall, Replan, ReplanOutage, ReplanRow, ReplanRun
from courses.replan import REPLAN_BASIS, PointName, Status, Step
from courses.science.basis import CAUTION
from courses.vocabulary import OutageKind, ReplanRowStatus

SUBJECTS = tuple(kind.value for kind in OutageKind)


class OutageOut(serializers.ModelSerializer[ReplanOutage]):
    """What is not to be had: the key of one of laser, operator, room, handpiece and clinic."""

    laser = serializers.SerializerMethodField()
    operator = serializers.SerializerMethodField()
    room = serializers.SerializerMethodField()
    handpiece = serializers.SerializerMethodField()
    clinic = serializers.SerializerMethodField()
    start = AwareDateTimeField(source="period.lower")
    end = AwareDateTimeField(source="period.upper", help_text="Excluded.")

    class Meta:
        model = ReplanOutage
        fields = ("kind", *SUBJECTS, "start", "end")
        read_only_fields = fields

    def get_laser(self, row: ReplanOutage) -> int | None:
        return _if(row, OutageKind.LASER)

    def get_operator(self, row: ReplanOutage) -> int | None:
        return _if(row, OutageKind.OPERATOR)

    def get_room(self, row: ReplanOutage) -> int | None:
        return _if(row, OutageKind.ROOM)

    def get_handpiece(self, row: ReplanOutage) -> int | None:
        return _if(row, OutageKind.HANDPIECE)

    def get_clinic(self, row: ReplanOutage) -> int | None:
        return _if(row, OutageKind.CLINIC)


class OutageHitOut(serializers.ModelSerializer[Appointment]):
    """An appointment that is hit. `by` are positions in `outages`.

    `movable`: booked and still to come; a hold ends by itself, and who has arrived is there.
    """

    appointment = serializers.IntegerField(source="pk")
    patient = serializers.IntegerField(source="course.patient_id")
    time_zone = serializers.CharField(source="clinic.time_zone")
    by = serializers.ListField(child=serializers.IntegerField())
    movable = serializers.BooleanField()

    class Meta:
        model = Appointment
        fields = (
            "appointment",
            "course",
            "patient",
            "clinic",
            "time_zone",
            "room",
            "operator",
            "laser",
            "starts_at",
            "ends_at",
            "status",
            "by",
            "movable",
        )
        read_only_fields = fields

    def to_representation(self, instance: Any) -> Any:
        shown = instance.appointment
        shown.by, shown.movable = list(instance.by), instance.movable
        return super().to_representation(shown)


class OutageHitsOut(serializers.Serializer[Any]):
    """Everything that is hit, in order of time; `movable` of them a re-plan would place anew."""

    hits = OutageHitOut(many=True)
    movable = serializers.IntegerField()
    max_movable = serializers.IntegerField(help_text="How many one re-plan takes at most")


class ReplanProgressOut(serializers.Serializer[Any]):
    """Where a run stands; figures are null until they are known."""

    step = serializers.ChoiceField(choices=choices(Step), required=False)
    seconds = serializers.FloatField(required=False)
    placed = serializers.IntegerField(required=False, allow_null=True)
    unplaced = serializers.IntegerField(required=False, allow_null=True)
    points = serializers.IntegerField(required=False, allow_null=True)
    least_points = serializers.IntegerField(required=False, allow_null=True)


class ReplanAnswerOut(serializers.Serializer[Any]):
    """How good the plan is proven. `optimal`: none places more, nor as many for fewer points.

    `gap`: by what share of the points a plan that places as many could be better at most;
    `fewest_unplaced`: no plan leaves fewer out. `statistics`: what it took, and the points of
    first-fit beside it.
    """

    placed = serializers.IntegerField(required=False)
    unplaced = serializers.IntegerField(required=False)
    status = serializers.ChoiceField(choices=choices(Status), required=False)
    points = serializers.IntegerField(required=False)
    least_points = serializers.IntegerField(required=False)
    gap = serializers.FloatField(required=False)
    fewest_unplaced = serializers.IntegerField(required=False)
    worst_delay_days = serializers.IntegerField(required=False)
    statistics = serializers.DictField(required=False)


class ReplanRunOut(serializers.ModelSerializer[ReplanRun]):
    """One search for new slots. Statuses are FHIR Task.status."""

    progress = ReplanProgressOut(read_only=True)
    answer = ReplanAnswerOut(read_only=True)
    policy = serializers.DictField(
        child=serializers.IntegerField(), read_only=True, help_text="The points it was made by"
    )

    class Meta:
        model = ReplanRun
        fields = (
            "number",
            "status",
            "status_reason",
            "seed",
            "seconds",
            "attempt",
            "progress",
            "policy",
            "answer",
            "requested_at",
            "started_at",
            "ended_at",
        )
        read_only_fields = fields


class ReplanOut(serializers.ModelSerializer[Replan]):
    """New slots for all visits that outages hit. `run` is the newest search for them.

    `planning` while it is searched, then `proposed`: look at the rows, and apply it.
    """

    outages = OutageOut(many=True, read_only=True)
    clinics = serializers.ListField(
        source="clinic_ids", child=serializers.IntegerField(), read_only=True
    )
    run = serializers.SerializerMethodField()
    basis = serializers.SerializerMethodField()
    caution = serializers.SerializerMethodField()

    class Meta:
        model = Replan
        fields = (
            "id",
            "version",
            "status",
            "status_reason",
            "reason",
            "outages",
            "clinics",
            "days",
            "notice_hours",
            "hits",
            "requested_by",
            "created_at",
            "applied_by",
            "applied_at",
            "run",
            "basis",
            "caution",
        )
        read_only_fields = fields

    @extend_schema_field(ReplanRunOut)
    def get_run(self, row: Replan) -> dict[str, Any]:
        return dict(ReplanRunOut(_newest(row)).data)

    @extend_schema_field(BasisOut(many=True))
    def get_basis(self, row: Replan) -> Any:
        return _newest(row).answer.get("basis") or BasisOut(REPLAN_BASIS, many=True).data

    def get_caution(self, row: Replan) -> str:
        return CAUTION


class PlannedVisitOut(serializers.Serializer[Any]):
    """When, where, with whom and what."""

    start = serializers.DateTimeField()
    end = serializers.DateTimeField()
    clinic = serializers.IntegerField()
    room = serializers.IntegerField()
    operator = serializers.IntegerField()
    laser = serializers.IntegerField()
    handpieces = serializers.ListField(child=serializers.IntegerField())
    wavelengths_nm = serializers.ListField(child=serializers.IntegerField())


class PointPartOut(serializers.Serializer[Any]):
    """Some of a new slot's points, and what for."""

    name = serializers.ChoiceField(choices=choices(PointName))
    points = serializers.IntegerField()


class NeedServedOut(serializers.Serializer[Any]):
    """A colour, and the wavelength used for it."""

    need = serializers.CharField()
    wavelength_nm = serializers.IntegerField()


class PlacementScoreOut(serializers.Serializer[Any]):
    """What a new slot costs, in parts, and how far it is from what was; days are signed."""

    points = serializers.IntegerField(required=False)
    parts = PointPartOut(many=True, required=False)
    days_from_advised = serializers.IntegerField(required=False)
    days_from_old = serializers.IntegerField(required=False)
    serves = NeedServedOut(many=True, required=False)
    left_out = serializers.ListField(child=serializers.CharField(), required=False)


class ReplanMessageOut(serializers.ModelSerializer[Recall]):
    """What tells the patient: the recall, and how it stands (FHIR CommunicationRequest.status)."""

    recall = serializers.IntegerField(source="pk", read_only=True)

    class Meta:
        model = Recall
        fields = ("recall", "status", "status_reason")
        read_only_fields = fields


class ReplanRowOut(serializers.ModelSerializer[ReplanRow]):
    """One appointment: the visit it had, the one it is given, or `reasons` why there is none.

    `message` is there once the proposal is applied and the time or the clinic is another.
    """

    run = serializers.IntegerField(source="run.number", read_only=True)
    course = serializers.IntegerField(source="appointment.course_id", read_only=True)
    patient = serializers.IntegerField(source="appointment.course.patient_id", read_only=True)
    status = serializers.ChoiceField(choices=choices(ReplanRowStatus), read_only=True)
    old = PlannedVisitOut(read_only=True)
    new = PlannedVisitOut(read_only=True, allow_null=True)
    score = PlacementScoreOut(read_only=True)
    reasons = ReasonOut(many=True, read_only=True)
    message = ReplanMessageOut(source="recall", read_only=True, allow_null=True)

    class Meta:
        model = ReplanRow
        fields = (
            "id",
            "run",
            "appointment",
            "course",
            "patient",
            "status",
            "old",
            "new",
            "score",
            "reasons",
            "message",
        )
        read_only_fields = fields


def _if(row: ReplanOutage, kind: OutageKind) -> int | None:
    return row.subject_id if row.kind == kind else None


def _newest(row: Replan) -> ReplanRun:
    """The first of the runs as the view reads them."""
    run: ReplanRun = row.runs.all()[0]
    return run
