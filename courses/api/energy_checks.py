"""What a failed energy check casts doubt on."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField
from core.api.serializers import ComputedOut
from core.api.viewsets import RetrieveMixin
from courses.selectors.energy_checks import doubt_of
from devices.models import EnergyCheck

CAUTION = (
    "For records only: the laser safety officer and the treating clinician decide what follows "
    "for those who were treated."
)
DOUBT = {
    "id": "sessions-since-last-good-check",
    "version": "1",
    "source": "Passes on the same laser, line and handpiece after the last passing energy check",
    "kind": "common_practice",
}


class DoubtfulSessionOut(serializers.Serializer[Any]):
    """A session that fired the line through the handpiece."""

    session = serializers.IntegerField(source="pk")
    course = serializers.IntegerField(source="course_id")
    clinic = serializers.IntegerField(source="clinic_id")
    operator = serializers.IntegerField(source="operator_id")
    started_at = AwareDateTimeField()
    status = serializers.CharField()


class VisitOnLineOut(serializers.Serializer[Any]):
    """An open appointment that is to use the wavelength on this laser."""

    appointment = serializers.IntegerField(source="pk")
    course = serializers.IntegerField(source="course_id")
    starts_at = AwareDateTimeField()
    ends_at = AwareDateTimeField()
    status = serializers.CharField()


class EnergyCheckDoubtOut(ComputedOut):
    """Sessions since the last good check, and what is booked on the line."""

    energy_check = serializers.IntegerField(source="check.pk")
    passed = serializers.BooleanField(source="check.passed")
    last_good = serializers.IntegerField(source="last_good.pk", allow_null=True, default=None)
    since = AwareDateTimeField(
        source="last_good.checked_at", allow_null=True, default=None, help_text="Null: ever"
    )
    until = AwareDateTimeField(source="check.checked_at")
    sessions = DoubtfulSessionOut(many=True)
    visits = VisitOnLineOut(many=True)


class EnergyCheckDoubtViewSet(RetrieveMixin):
    """What an energy check casts doubt on."""

    http_method_names = ["get", "head", "options"]
    queryset = EnergyCheck.objects.select_related("line")
    serializer_class = EnergyCheckDoubtOut
    policy = {"retrieve": "session.read"}
    shows = "courses.Course"

    @extend_schema(responses=EnergyCheckDoubtOut)
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """After a failed check: sessions since the last good one, appointments on the line.

        Everyone but the front desk may ask.
        """
        doubt = doubt_of(self.get_object(), now=self.now())
        self.shown = {one.course_id for one in doubt.sessions}
        self.shown |= {one.course_id for one in doubt.visits}
        answer = {
            "check": doubt.check,
            "last_good": doubt.last_good,
            "sessions": doubt.sessions,
            "visits": doubt.visits,
            "basis": [DOUBT],
            "caution": CAUTION,
        }
        return self.show(EnergyCheckDoubtOut, answer)
