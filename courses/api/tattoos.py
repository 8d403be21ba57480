"""Tattoos, their parts, and how much of each part has gone."""

from typing import Any

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import DayField, VisibleRelatedField
from core.api.filters import WholeNumberFilter, YesNoFilter
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import GuardedOut, WholePartIn
from core.vocabulary import choices
from courses.api.base import RecordViewSet, version_if_given
from courses.errors import input_refused
from courses.models import ClearanceGrade, Patient, Tattoo, TattooPart
from courses.policy import FIELDS
from courses.science.grading import ClearanceScale, band_of_grade
from courses.services.grades import (
    grade_correct,
    grade_record,
    grade_remove,
    part_clear,
    part_reopen,
)
from courses.services.tattoos import tattoo_change, tattoo_create
from courses.vocabulary import BodySite, InkAmount, InkColour, Scarring, Technique

# A body has about 2 m2 of skin; the table's own limit.
MAX_AREA_CM2 = 20_000.0


class TattooPartOut(serializers.ModelSerializer[TattooPart]):
    """One colour in one technique; `cleared_on` when it has gone."""

    class Meta:
        model = TattooPart
        fields = ("id", "version", "tattoo", "colour", "technique", "share", "cleared_on")
        read_only_fields = fields


class TattooPartIn(WholePartIn):
    """One colour in one technique with its share of the area."""

    colour = serializers.ChoiceField(choices=choices(InkColour))
    technique = serializers.ChoiceField(choices=choices(Technique))
    share = serializers.FloatField(
        min_value=1e-6, max_value=1, help_text="Fraction of the area; the shares sum to 1"
    )


class TattooOut(GuardedOut, serializers.ModelSerializer[Tattoo]):
    """A tattoo as it was assessed, with its parts."""

    guarded = FIELDS["TattooOut"]

    parts = TattooPartOut(many=True, read_only=True)

    class Meta:
        model = Tattoo
        fields = (
            "id",
            "version",
            "patient",
            "site",
            "area_cm2",
            "ink_amount",
            "scarring",
            "layered",
            "palpable",
            "made_on",
            "note",
            "parts",
            "created_at",
        )
        read_only_fields = fields


class TattooChangeIn(serializers.Serializer[Any]):
    """What can change of a tattoo. `parts` replaces all parts."""

    site = serializers.ChoiceField(choices=choices(BodySite))
    area_cm2 = serializers.FloatField(min_value=0.01, max_value=MAX_AREA_CM2)
    ink_amount = serializers.ChoiceField(choices=choices(InkAmount))
    scarring = serializers.ChoiceField(choices=choices(Scarring), default=Scarring.NONE)
    layered = serializers.BooleanField(default=False, help_text="A cover-up over an older tattoo")
    palpable = serializers.BooleanField(default=False)
    made_on = DayField(required=False, allow_null=True, help_text="About when")
    note = serializers.CharField(max_length=400, allow_blank=True, default="")
    parts: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=TattooPartIn(), min_length=1, max_length=24
    )


class TattooIn(TattooChangeIn):
    """A new tattoo."""

    patient = VisibleRelatedField(queryset=Patient.objects.all())


class ClearanceGradeOut(serializers.ModelSerializer[ClearanceGrade]):
    """A band: how much of the part's ink has gone, `low` to `high`, as fractions."""

    class Meta:
        model = ClearanceGrade
        fields = (
            "id",
            "version",
            "part",
            "graded_on",
            "low",
            "high",
            "darkened",
            "graded_by",
            "created_at",
        )
        read_only_fields = fields


class ClearanceGradeChangeIn(serializers.Serializer[Any]):
    """A band, or a grade of a scale that stands for one."""

    graded_on = DayField()
    low = serializers.FloatField(min_value=0, max_value=1, required=False)
    high = serializers.FloatField(min_value=0, max_value=1, required=False)
    scale = serializers.ChoiceField(choices=choices(ClearanceScale), required=False)
    grade = serializers.IntegerField(min_value=0, max_value=10, required=False)
    darkened = serializers.BooleanField(
        default=False, help_text="The ink darkened since the last grade; the window is held"
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        given = attrs.keys() & {"low", "high"}, attrs.keys() & {"scale", "grade"}
        if len(given[0]) == 1 or len(given[1]) == 1 or all(given):
            raise serializers.ValidationError(
                {"low": "Give low and high, or a scale and a grade of it."}, code="either"
            )
        if not self.partial and not any(given):
            raise serializers.ValidationError({"low": "Give a band or a grade."}, code="required")
        return attrs


class ClearanceGradeIn(ClearanceGradeChangeIn):
    """A new grade."""

    part = VisibleRelatedField(queryset=TattooPart.objects.all())


class TattooFilter(filters.FilterSet):
    """Whose, and where."""

    patient = WholeNumberFilter()
    site = filters.ChoiceFilter(choices=choices(BodySite))
    course = WholeNumberFilter(field_name="courses")

    class Meta:
        model = Tattoo
        fields = ("patient", "site")


class TattooPartFilter(filters.FilterSet):
    """Of which tattoo or course; still there or gone."""

    tattoo = WholeNumberFilter()
    course = WholeNumberFilter(field_name="tattoo__courses")
    cleared = YesNoFilter(field_name="cleared_on", lookup_expr="isnull", exclude=True)

    class Meta:
        model = TattooPart
        fields = ("tattoo",)


class ClearanceGradeFilter(filters.FilterSet):
    """Of which part, tattoo or course."""

    part = WholeNumberFilter()
    tattoo = WholeNumberFilter(field_name="part__tattoo")
    course = WholeNumberFilter(field_name="part__tattoo__courses")

    class Meta:
        model = ClearanceGrade
        fields = ("part",)


@extend_schema_view(
    list=extend_schema(summary="List tattoos"), retrieve=extend_schema(summary="Show a tattoo")
)
class TattooViewSet(RecordViewSet):
    """Tattoos of the chain's patients."""

    queryset = Tattoo.objects.prefetch_related("parts")
    serializer_class = TattooOut
    filterset_class = TattooFilter
    policy = {
        "list": "course.read",
        "retrieve": "course.read",
        "create": "tattoo.write",
        "partial_update": "tattoo.write",
    }

    @extend_schema(request=TattooIn, responses={201: TattooOut}, summary="Assess a tattoo")
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Add a tattoo with its parts. For treating clinicians."""
        fields = self.parse(TattooIn)
        tattoo = tattoo_create(
            patient_id=fields.pop("patient").pk,
            parts=fields.pop("parts"),
            fields=fields,
            actor=self.actor,
            now=self.now(),
        )
        return self.present(tattoo, status=201)

    @extend_schema(request=TattooChangeIn, responses=TattooOut, summary="Change an assessment")
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change the assessment; new `parts` only while no grade or pass stands on the old.

        For treating clinicians. Healing windows follow where the change is stricter.
        """
        changes = self.changes(TattooChangeIn)
        tattoo = tattoo_change(
            tattoo_id=int(pk),
            parts=changes.pop("parts", None),
            changes=changes,
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(tattoo)


@extend_schema_view(
    list=extend_schema(summary="List parts of tattoos"),
    retrieve=extend_schema(summary="Show a part of a tattoo"),
)
class TattooPartViewSet(RecordViewSet):
    """Parts of tattoos: one colour in one technique each."""

    queryset = TattooPart.objects.all()
    serializer_class = TattooPartOut
    filterset_class = TattooPartFilter
    conditional_if_told = ("clear", "reopen")
    policy = {
        "list": "course.read",
        "retrieve": "course.read",
        "clear": "grade.write",
        "reopen": "grade.write",
    }

    @extend_schema(request=None, responses=TattooPartOut, summary="Mark a part as gone")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def clear(self, request: Request, pk: str) -> Response:
        """Mark a part as gone once its newest grade reaches the goal.

        For treating clinicians and laser operators.
        """
        # A repeat changes nothing, and shows the row all the same.
        self.shown = [int(pk)]
        part = part_clear(
            part_id=int(pk), actor=self.actor, expected_version=version_if_given(request)
        )
        return self.present(part)

    @extend_schema(request=None, responses=TattooPartOut, summary="Take back that a part is gone")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def reopen(self, request: Request, pk: str) -> Response:
        """The part is there after all. For treating clinicians and laser operators."""
        # A repeat changes nothing, and shows the row all the same.
        self.shown = [int(pk)]
        part = part_reopen(
            part_id=int(pk), actor=self.actor, expected_version=version_if_given(request)
        )
        return self.present(part)


@extend_schema_view(
    list=extend_schema(summary="List clearance grades"),
    retrieve=extend_schema(summary="Show a clearance grade"),
)
class ClearanceGradeViewSet(RecordViewSet):
    """Grades: how much of a part has gone."""

    queryset = ClearanceGrade.objects.all()
    serializer_class = ClearanceGradeOut
    filterset_class = ClearanceGradeFilter
    policy = {
        "list": "medical_detail.read",
        "retrieve": "medical_detail.read",
        "create": "grade.write",
        "partial_update": "grade.correct",
        "destroy": "grade.correct",
    }

    @extend_schema(
        request=ClearanceGradeIn, responses={201: ClearanceGradeOut}, summary="Grade a part"
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Grade a part, 28 days after the last session at the earliest.

        For treating clinicians and laser operators. Clearance never falls unless the ink
        darkened, which also holds the healing window.
        """
        fields = self.parse(ClearanceGradeIn)
        grade = grade_record(
            part_id=fields.pop("part").pk,
            fields=_as_band(fields),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(grade, status=201)

    @extend_schema(
        request=ClearanceGradeChangeIn, responses=ClearanceGradeOut, summary="Correct a grade"
    )
    def partial_update(self, request: Request, pk: str) -> Response:
        """Correct a grade; the same rules hold. For treating clinicians."""
        grade = grade_correct(
            grade_id=int(pk),
            changes=_as_band(self.changes(ClearanceGradeChangeIn)),
            expected_version=expected_version(request),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(grade)

    @extend_schema(responses={204: None}, summary="Remove a grade")
    def destroy(self, request: Request, pk: str) -> Response:
        """Remove a grade given by mistake, e.g. to the wrong part. For treating clinicians."""
        grade_remove(grade_id=int(pk), expected_version=expected_version(request), actor=self.actor)
        return Response(status=204)


def _as_band(fields: dict[str, Any]) -> dict[str, Any]:
    """A grade of a scale as the band it stands for."""
    if "scale" not in fields:
        return fields
    with input_refused():
        band = band_of_grade(fields["grade"], scale=ClearanceScale(fields["scale"]))
    rest = {name: value for name, value in fields.items() if name not in {"scale", "grade"}}
    return {**rest, "low": band.low, "high": band.high}
