"""Series: the next sessions of a course booked at once."""

from django.db.models import Prefetch
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import VisibleRelatedField
from core.api.filters import WholeNumberFilter
from core.api.idempotency import idempotent
from core.api.serializers import SpanIn
from core.api.viewsets import ListMixin, RetrieveMixin
from courses.api.appointment_answers import AppointmentOut
from courses.api.slots import VisitLengthIn, WhereAndWhenIn, order_of
from courses.api.visits import SlotIn, visit_of
from courses.models import Appointment, AppointmentSeries, Course
from courses.services.booking import SeriesOrder, series_book
from courses.slots import SlotRank


class SeriesIn(WhereAndWhenIn, VisitLengthIn, SpanIn):
    """Which sessions to book: the first between `start` and `end`, or in a slot of your choice.

    Without clinics: the one that leads the course (or that of `first`).
    """

    course = VisibleRelatedField(queryset=Course.objects.all())
    sessions = serializers.IntegerField(min_value=2, max_value=3)
    first = SlotIn(required=False, help_text="A slot for the first session; without: the best")
    search_days = serializers.IntegerField(
        min_value=1,
        max_value=120,
        default=28,
        help_text="How many days from the advised day on to search for each later session",
    )


class SeriesOut(serializers.ModelSerializer[AppointmentSeries]):
    """A series and its appointments, in the order of their positions."""

    appointments = AppointmentOut(many=True, read_only=True)

    class Meta:
        model = AppointmentSeries
        fields = ("id", "course", "booked_by", "created_at", "appointments")
        read_only_fields = fields


class SeriesFilter(filters.FilterSet):
    """Of which course."""

    course = WholeNumberFilter()

    class Meta:
        model = AppointmentSeries
        fields = ("course",)


@extend_schema_view(
    list=extend_schema(summary="List series of appointments"),
    retrieve=extend_schema(summary="Show a series of appointments"),
)
class SeriesViewSet(ListMixin, RetrieveMixin):
    """Series of appointments. Each of them is moved and cancelled as an appointment."""

    queryset = AppointmentSeries.objects.prefetch_related(
        Prefetch(
            "appointments",
            queryset=Appointment.objects.select_related("clinic", "course")
            .prefetch_related("handpieces")
            .order_by("position"),
        )
    )
    serializer_class = SeriesOut
    filterset_class = SeriesFilter
    throttle_scopes = {"create": "booking"}
    policy = {
        "list": "appointment.read",
        "retrieve": "appointment.read",
        "create": "appointment.write",
    }

    @extend_schema(
        request=SeriesIn, responses={201: SeriesOut}, summary="Book the next sessions at once"
    )
    @idempotent(required=True)
    def create(self, request: Request) -> Response:
        """Book two or three sessions, each from the advised day after the one before; all or none.

        For the front desk and the treating clinician of the clinic. 409 `series_incomplete` says
        for which session there was no slot, and what bound.
        """
        body = self.parse(SeriesIn)
        course_id = body["course"].pk
        first = body.get("first")
        series = series_book(
            course_id=course_id,
            order=SeriesOrder(
                sessions=body["sessions"],
                search=order_of({**body, "limit": 1, "rank": SlotRank.BEST}),
                first=visit_of(first, course_id=course_id, actor=self.actor) if first else None,
                search_days=body["search_days"],
            ),
            actor=self.actor,
            now=self.now(),
        )
        return self.present(self.get_queryset().get(pk=series.pk), status=201)
