"""Outcomes for the clinician: clearance over time, reactions beside the published bands.

Nothing here enters advice or estimates.
"""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import DayField
from core.api.filters import invalid_parameter, parsed_query
from core.api.serializers import BasisOut, ComputedOut
from core.api.views import FallowView
from core.vocabulary import choices
from courses.outcomes.reactions import BASIS, Axis, Comparison, ReactionRate
from courses.science.basis import CAUTION, Kind
from courses.selectors.outcomes import (
    REACTIONS,
    CourseOutcome,
    PartOutcome,
    ReactionQuestion,
    ReactionTable,
    reaction_table,
)
from courses.vocabulary import InkColour, SkinType, Technique

Json = dict[str, Any]

REACTION_CODES: Final = [kind.value for kind in REACTIONS]


class ClearancePointOut(serializers.Serializer[Any]):
    """One grade: so much of the ink was gone after so many sessions of the part."""

    clearance_grade = serializers.IntegerField()
    graded_on = serializers.DateField()
    sessions = serializers.IntegerField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    darkened = serializers.BooleanField()


class PartClearanceOut(serializers.Serializer[Any]):
    """A part and its grades in the order of their days."""

    tattoo_part = serializers.IntegerField()
    key = serializers.CharField()
    colour = serializers.ChoiceField(choices=choices(InkColour))
    technique = serializers.ChoiceField(choices=choices(Technique))
    share = serializers.FloatField()
    cleared_on = serializers.DateField(allow_null=True)
    points = ClearancePointOut(many=True)
    sessions_to_success = serializers.IntegerField(
        allow_null=True, help_text="Before the first grade of 75 % and more"
    )
    sessions_to_clear = serializers.IntegerField(
        allow_null=True, help_text="Before the first grade of 95 % and more"
    )


class TattooClearanceOut(serializers.Serializer[Any]):
    """A tattoo: when it was treated, in whatever course, and how its parts fared."""

    tattoo = serializers.IntegerField()
    site = serializers.CharField()
    treated_on = serializers.ListField(child=serializers.DateField())
    parts = PartClearanceOut(many=True)


class CourseClearanceOut(ComputedOut):
    """Clearance of each part of a course's tattoos over time."""

    course = serializers.IntegerField()
    tattoos = TattooClearanceOut(many=True)


class BandOut(serializers.Serializer[Any]):
    """A published band that speaks of the cell, and how the rate stands to it.

    `below` and `above`: the whole interval lies there.
    """

    id = serializers.CharField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    setting = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    kind = serializers.ChoiceField(choices=choices(Kind))
    comparison = serializers.ChoiceField(choices=choices(Comparison))


class ReactionRateOut(serializers.Serializer[Any]):
    """Patients who ever showed the reaction, with an exact (Clopper-Pearson) interval."""

    reaction = serializers.ChoiceField(choices=REACTION_CODES)
    wavelength_nm = serializers.IntegerField(allow_null=True)
    skin_type = serializers.ChoiceField(
        choices=[(t.value, t.name) for t in SkinType], allow_null=True
    )
    colour = serializers.ChoiceField(choices=choices(InkColour), allow_null=True)
    patients = serializers.IntegerField()
    patients_with_reaction = serializers.IntegerField()
    treatments = serializers.IntegerField(help_text="Each ink of each session and wavelength")
    rate = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    published = BandOut(many=True)


class ReactionsOut(serializers.Serializer[Any]):
    """Reaction rates of the chain beside what was published; never merged into advice."""

    treated_from = serializers.DateField(allow_null=True)
    treated_until = serializers.DateField(allow_null=True, help_text="Excluded")
    by = serializers.ListField(child=serializers.ChoiceField(choices=choices(Axis)))
    level = serializers.FloatField(help_text="Of the intervals")
    sessions = serializers.IntegerField()
    patients = serializers.IntegerField()
    rates = ReactionRateOut(many=True)
    note = serializers.CharField()
    basis = BasisOut(many=True)
    caution = serializers.CharField()


class ReactionsQuery(serializers.Serializer[Any]):
    """Which sessions, and what to tell apart."""

    treated_from = DayField(required=False)
    treated_until = DayField(required=False)
    clinic = serializers.ListField(
        child=serializers.IntegerField(min_value=1), required=False, max_length=250
    )
    by = serializers.ListField(child=serializers.ChoiceField(choices=choices(Axis)), required=False)
    reaction = serializers.ListField(
        child=serializers.ChoiceField(choices=REACTION_CODES), required=False
    )
    level = serializers.FloatField(min_value=0.5, max_value=0.999, default=0.95)


class ReactionsView(FallowView):
    """Reactions after the chain's own treatments."""

    policy = {"get": "outcome.read"}
    extra_query_params = tuple(ReactionsQuery().fields)
    repeatable_query_params = ("by", "clinic", "reaction")

    @extend_schema(
        parameters=[ReactionsQuery],
        responses=ReactionsOut,
        summary="Show reaction rates",
    )
    def get(self, request: Request) -> Response:
        """Rates by wavelength, skin type and colour with exact intervals, beside published bands.

        For treating clinicians, the laser safety officer and the chain manager.
        """
        query = parsed_query(ReactionsQuery, request)
        question = ReactionQuestion(
            treated_from=query.get("treated_from"),
            treated_until=query.get("treated_until"),
            clinic_ids=self._clinics(query.get("clinic")),
            axes=tuple(axis for axis in Axis if axis in query.get("by", Axis)),
            reactions=tuple(
                kind for kind in REACTIONS if kind in query.get("reaction", REACTION_CODES)
            ),
            level=query["level"],
        )
        return self.show(
            ReactionsOut, _table(question, found=reaction_table(question, actor=self.actor))
        )

    def _clinics(self, asked: list[int] | None) -> list[int] | None:
        """The clinics asked for. Raises ParameterInvalid for one that is not of the chain."""
        if asked is None:
            return None
        own = set(Clinic.objects.visible_to(self.actor).values_list("pk", flat=True))
        if not set(asked) <= own:
            raise invalid_parameter("clinic", detail="There is no such clinic here.")
        return asked


def clearance_shown(found: CourseOutcome) -> Json:
    """What CourseClearanceOut shows."""
    return {
        "course": found.course.pk,
        "tattoos": [
            {
                "tattoo": one.tattoo.pk,
                "site": one.tattoo.site,
                "treated_on": one.treated_on,
                "parts": [_part(part) for part in one.parts],
            }
            for one in found.tattoos
        ],
        "basis": found.basis,
        "caution": found.caution,
    }


def _part(one: PartOutcome) -> Json:
    clearance = one.clearance
    return {
        "tattoo_part": one.part.pk,
        "key": one.key,
        "colour": one.part.colour,
        "technique": one.part.technique,
        "share": one.part.share,
        "cleared_on": one.part.cleared_on,
        "points": [
            {
                "clearance_grade": pk,
                "graded_on": point.graded_on,
                "sessions": point.sessions,
                "low": point.low,
                "high": point.high,
                "darkened": point.darkened,
            }
            for pk, point in zip(one.grade_ids, clearance.points if clearance else (), strict=True)
        ],
        "sessions_to_success": clearance and clearance.sessions_to_success,
        "sessions_to_clear": clearance and clearance.sessions_to_clear,
    }


def _table(question: ReactionQuestion, *, found: ReactionTable) -> Json:
    return {
        "treated_from": question.treated_from,
        "treated_until": question.treated_until,
        "by": list(question.axes),
        "level": question.level,
        "sessions": found.sessions,
        "patients": found.patients,
        "rates": [_rate(one) for one in found.rates],
        "note": (
            "A reaction is seen after a session and counts for every ink and wavelength of it; "
            "a patient counts once in a row."
        ),
        "basis": [BASIS],
        "caution": CAUTION,
    }


def _rate(one: ReactionRate) -> Json:
    return {
        "reaction": one.reaction.value,
        "wavelength_nm": one.cell.wavelength_nm,
        "skin_type": one.cell.skin_type,
        "colour": one.cell.colour,
        "patients": one.share.cases,
        "patients_with_reaction": one.share.events,
        "treatments": one.treatments,
        "rate": one.share.rate,
        "low": one.share.low,
        "high": one.share.high,
        "published": [
            {
                "id": told.band.id,
                "low": told.band.low,
                "high": told.band.high,
                "setting": told.band.setting,
                "source": told.band.source,
                "kind": told.band.kind.value,
                "comparison": told.comparison.value,
            }
            for told in one.published
        ],
    }
