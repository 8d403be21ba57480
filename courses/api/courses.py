"""Courses of treatment: planned, begun, paused, ended; estimated, and planned one session ahead."""

from collections.abc import Callable
from typing import Any, Final

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import DayField, VisibleRelatedField
from core.api.filters import WholeNumberFilter, parsed_query
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import GuardedOut
from core.vocabulary import choices
from courses.api.base import (
    FreeReasonIn,
    NeededReasonIn,
    RecordViewSet,
    ids_of,
    version_if_given,
)
from courses.api.estimate_serializers import CourseEstimateOut
from courses.api.estimates import course_estimate_shown
from courses.api.line_advice import LineAdviceOut, TannedQuery, line_advice_shown
from courses.api.outcomes import CourseClearanceOut, clearance_shown
from courses.api.plans import NextSessionOut, TechniqueQuery, next_session_shown
from courses.models import Course, Patient, Tattoo
from courses.policy import FIELDS
from courses.selectors.estimation.courses import course_estimate
from courses.selectors.line_advice import course_line_advice
from courses.selectors.next_session import next_session
from courses.selectors.outcomes import course_clearance
from courses.selectors.plans import Technique
from courses.services.courses import (
    REVOKED_BECAUSE,
    course_activate,
    course_change,
    course_complete,
    course_create,
    course_enter_in_error,
    course_hold,
    course_resume,
    course_revoke,
)
from courses.vocabulary import CourseEnd, CourseGoal, CourseStatus

RECKONED: Final = frozenset({"estimate", "next_session"})


class CourseOut(GuardedOut, serializers.ModelSerializer[Course]):
    """One patient's plan. Statuses are HL7 FHIR R5 CarePlan.status."""

    guarded = FIELDS["CourseOut"]

    class Meta:
        model = Course
        fields = (
            "id",
            "version",
            "clinic",
            "patient",
            "tattoos",
            "goal",
            "target_clearance",
            "status",
            "status_reason",
            "consented_on",
            "started_on",
            "ended_on",
            "end_reason",
            "created_at",
        )
        read_only_fields = fields


class CourseChangeIn(serializers.Serializer[Any]):
    """What can change of a course; its tattoos only while it is a draft."""

    clinic = VisibleRelatedField(queryset=Clinic.objects.all(), help_text="Where it is led")
    tattoos = serializers.ListField(
        child=VisibleRelatedField(queryset=Tattoo.objects.all()), min_length=1, max_length=20
    )
    goal = serializers.ChoiceField(choices=choices(CourseGoal), default=CourseGoal.CLEAR)
    target_clearance = serializers.FloatField(
        min_value=0.01,
        max_value=1,
        required=False,
        help_text="Fraction of the ink to be gone; for the goal `lighten` only",
    )
    consented_on = DayField(
        required=False, allow_null=True, help_text="Consent to treatment; needed to begin"
    )


class CourseIn(CourseChangeIn):
    """A new course."""

    patient = VisibleRelatedField(queryset=Patient.objects.all())


class RevokeIn(FreeReasonIn):
    """Why a course ends before its goal is reached."""

    end_reason = serializers.ChoiceField(
        choices=[(end.value, end.value.replace("_", " ")) for end in sorted(REVOKED_BECAUSE)]
    )


class CourseFilter(filters.FilterSet):
    """Whose, where led, in which state."""

    patient = WholeNumberFilter()
    clinic = WholeNumberFilter()
    tattoo = WholeNumberFilter(field_name="tattoos")
    status = filters.MultipleChoiceFilter(choices=choices(CourseStatus))

    class Meta:
        model = Course
        fields = ("patient", "clinic")


@extend_schema_view(
    list=extend_schema(summary="List courses"), retrieve=extend_schema(summary="Show a course")
)
class CourseViewSet(RecordViewSet):
    """Courses of the chain."""

    queryset = Course.objects.prefetch_related("tattoos")
    serializer_class = CourseOut
    filterset_class = CourseFilter
    refusals = {"estimate": (422,), "next_session": (422,), "line_advice": (422,)}
    conditional_if_told = (
        "activate",
        "hold",
        "resume",
        "complete",
        "revoke",
        "mark_entered_in_error",
    )
    policy = {
        "list": "course.read",
        "retrieve": "course.read",
        "create": "course.write",
        "partial_update": "course.write",
        "activate": "course.write",
        "hold": "course.write",
        "resume": "course.write",
        "complete": "course.write",
        "revoke": "course.write",
        "mark_entered_in_error": "course.write",
        "estimate": "medical_detail.read",
        "line_advice": "medical_detail.read",
        "clearance": "medical_detail.read",
        "next_session": "course.read",
    }

    def query_names(self) -> Any:
        names = super().query_names()
        if self.action == "line_advice":
            return {*names, *TannedQuery().fields}
        return {*names, *TechniqueQuery().fields} if self.action in RECKONED else names

    @extend_schema(request=CourseIn, responses={201: CourseOut}, summary="Draft a course")
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """Draft a course for tattoos of one patient. For treating clinicians."""
        fields = self.parse(CourseIn)
        course = course_create(
            patient_id=fields.pop("patient").pk,
            tattoo_ids=ids_of(fields.pop("tattoos")),
            fields=fields,
            actor=self.actor,
        )
        return self.present(course, status=201)

    @extend_schema(request=CourseChangeIn, responses=CourseOut, summary="Change a course")
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change a draft, or the clinic, goal or consent of a running course.

        For treating clinicians.
        """
        changes = self.changes(CourseChangeIn)
        tattoos = changes.pop("tattoos", None)
        course = course_change(
            course_id=int(pk),
            tattoo_ids=None if tattoos is None else ids_of(tattoos),
            changes=changes,
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(course)

    @extend_schema(request=FreeReasonIn, responses=CourseOut, summary="Begin a course")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def activate(self, request: Request, pk: str) -> Response:
        """Begin a draft whose patient has consented. For treating clinicians.

        A tattoo stands in one running course at a time.
        """
        return self._step(course_activate, pk, reason=self.parse(FreeReasonIn)["reason"])

    @extend_schema(request=NeededReasonIn, responses=CourseOut, summary="Pause a course")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def hold(self, request: Request, pk: str) -> Response:
        """Pause it: nothing is booked or treated meanwhile. For treating clinicians."""
        return self._step(course_hold, pk, reason=self.parse(NeededReasonIn)["reason"])

    @extend_schema(request=FreeReasonIn, responses=CourseOut, summary="Go on with a course")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def resume(self, request: Request, pk: str) -> Response:
        """Go on with a paused course. For treating clinicians."""
        return self._step(course_resume, pk, reason=self.parse(FreeReasonIn)["reason"])

    @extend_schema(request=FreeReasonIn, responses=CourseOut, summary="Complete a course")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def complete(self, request: Request, pk: str) -> Response:
        """End it because the goal is reached: every part is marked as gone.

        For treating clinicians.
        """
        return self._step(course_complete, pk, reason=self.parse(FreeReasonIn)["reason"])

    @extend_schema(request=RevokeIn, responses=CourseOut, summary="End a course early")
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def revoke(self, request: Request, pk: str) -> Response:
        """End it before its goal is reached, and say why. For treating clinicians."""
        body = self.parse(RevokeIn)
        return self._step(
            course_revoke, pk, reason=body["reason"], end_reason=CourseEnd(body["end_reason"])
        )

    @extend_schema(
        request=NeededReasonIn, responses=CourseOut, summary="Mark a course as entered in error"
    )
    @action(detail=True, methods=["post"], url_path="mark-entered-in-error")
    @idempotent(required=False)
    def mark_entered_in_error(self, request: Request, pk: str) -> Response:
        """It should never have been there; nothing was treated in it. For treating clinicians."""
        return self._step(course_enter_in_error, pk, reason=self.parse(NeededReasonIn)["reason"])

    @extend_schema(
        parameters=[TechniqueQuery],
        responses=CourseEstimateOut,
        summary="Estimate the sessions of a course",
    )
    @action(detail=True, methods=["get"])
    def estimate(self, request: Request, pk: str) -> Response:
        """How many sessions it takes and are left, until when, how sure that is, and why.

        For whoever may see courses. The settings in the query reckon chair time; they are
        assumptions for the diary, not settings to use.
        """
        found = course_estimate(
            int(pk), technique=self._technique(), actor=self.actor, now=self.now()
        )
        return self.show(CourseEstimateOut, course_estimate_shown(found))

    @extend_schema(
        parameters=[TechniqueQuery],
        responses=NextSessionOut,
        summary="What the next session is for, and when",
    )
    @action(detail=True, methods=["get"], url_path="next-session")
    def next_session(self, request: Request, pk: str) -> Response:
        """Parts left, wavelengths they need, length, earliest and advised day, with reasons.

        For whoever may see courses. The settings in the query reckon the length; they are
        assumptions for the diary, not settings to use.
        """
        found = next_session(int(pk), technique=self._technique(), actor=self.actor, now=self.now())
        return self.show(NextSessionOut, next_session_shown(found))

    @extend_schema(
        parameters=[TannedQuery],
        responses=LineAdviceOut,
        summary="Rank the chain's laser lines for a course",
    )
    @action(detail=True, methods=["get"], url_path="line-advice")
    def line_advice(self, request: Request, pk: str) -> Response:
        """The lines of the chain's lasers, by clinic, for the ink that is still to be seen.

        For whoever may see courses. A ranking with its reasons, never settings.
        """
        tanned = parsed_query(TannedQuery, request)["tanned"]
        found = course_line_advice(int(pk), tanned=tanned, actor=self.actor, now=self.now())
        return self.show(LineAdviceOut, line_advice_shown(found))

    @extend_schema(responses=CourseClearanceOut, summary="Show the clearance of a course's parts")
    @action(detail=True, methods=["get"])
    def clearance(self, request: Request, pk: str) -> Response:
        """Grades of each part over time, and after how many sessions it passed the end points.

        For whoever may see courses.
        """
        found = course_clearance(int(pk), actor=self.actor)
        return self.show(CourseClearanceOut, clearance_shown(found))

    def _technique(self) -> Technique:
        return Technique(**parsed_query(TechniqueQuery, self.request))

    def _step(self, step: Callable[..., Course], pk: str, **said: Any) -> Response:
        course = step(
            course_id=int(pk),
            actor=self.actor,
            now=self.now(),
            expected_version=version_if_given(self.request),
            **said,
        )
        return self.present(course)
