"""Counters of lasers, lamps and handpieces over HTTP, and what is read off them."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from devices.api.counter_filters import CounterFilter, CounterReadingFilter
from devices.api.fields import MAX_COUNTER, ChangeIn, WholeField
from devices.models import Counter, CounterReading, Handpiece, Installation, Laser
from devices.services import counters as services
from devices.vocabulary import CounterKind, CounterStep, CounterUnit, ReadingOccasion


class CounterOut(RowSerializer):
    """Something that counts pulses by itself."""

    class Meta:
        model = Counter
        fields = [
            "id",
            "version",
            "kind",
            "laser",
            "handpiece",
            "name",
            "unit",
            "capacity",
            "active",
        ]


class CounterIn(serializers.Serializer[Any]):
    """A counter of a laser (its own or a lamp's) or of a handpiece: name one device."""

    kind = serializers.ChoiceField(choices=choices(CounterKind))
    laser = VisibleRelatedField(queryset=Laser.objects.all(), required=False)
    handpiece = VisibleRelatedField(
        queryset=Handpiece.objects.select_related("resource"), required=False
    )
    name = serializers.CharField(
        max_length=80, allow_blank=True, default="", help_text="Which of several lamps"
    )
    unit = serializers.ChoiceField(choices=choices(CounterUnit))
    capacity = WholeField(
        min_value=1,
        max_value=MAX_COUNTER,
        allow_null=True,
        default=None,
        help_text="In its unit: it shows 0 after capacity - 1",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        own = "handpiece" if attrs["kind"] == CounterKind.HANDPIECE else "laser"
        other = {"handpiece": "laser", "laser": "handpiece"}[own]
        if own not in attrs:
            raise serializers.ValidationError({own: "Name the device."}, code="required")
        if other in attrs:
            said = f"A {attrs['kind']} counter belongs to a {own}."
            raise serializers.ValidationError({other: said}, code="other_device")
        return attrs


class CounterChangeIn(ChangeIn):
    """What it is called, where it rolls over, whether it is still read."""

    name = serializers.CharField(max_length=80, allow_blank=True)
    capacity = WholeField(min_value=1, max_value=MAX_COUNTER, allow_null=True)
    active = serializers.BooleanField()


class CounterReadingOut(RowSerializer):
    """What a counter showed; a row that `corrects` another stands in its place."""

    unit = serializers.ChoiceField(source="counter.unit", choices=choices(CounterUnit))
    stands = serializers.SerializerMethodField(help_text="Neither corrected nor withdrawn")

    class Meta:
        model = CounterReading
        fields = [
            "id",
            "counter",
            "read_at",
            "value",
            "unit",
            "step",
            "first_value",
            "installation",
            "occasion",
            "read_by",
            "note",
            "source",
            "corrects",
            "reason",
            "withdrawn",
            "stands",
            "created_at",
        ]

    def get_stands(self, reading: CounterReading) -> bool:
        return not reading.withdrawn and not hasattr(reading, "correction")


class CounterReadingIn(serializers.Serializer[Any]):
    """What a counter shows, in its unit."""

    counter = VisibleRelatedField(queryset=Counter.objects.all())
    value = WholeField(min_value=0, max_value=MAX_COUNTER)
    unit = serializers.ChoiceField(
        choices=choices(CounterUnit), help_text="The counter's, said again so that none is mistaken"
    )
    read_at = AwareDateTimeField(required=False, help_text="Now when left out")
    occasion = serializers.ChoiceField(choices=choices(ReadingOccasion))
    step = serializers.ChoiceField(
        choices=choices(CounterStep),
        default=CounterStep.COUNTED,
        help_text="How it came here from the reading before",
    )
    first_value = WholeField(
        min_value=0,
        max_value=MAX_COUNTER,
        default=0,
        help_text="What it showed when it was replaced",
    )
    installation = VisibleRelatedField(
        queryset=Installation.objects.select_related("part"),
        required=False,
        allow_null=True,
        help_text="Record of the part that was replaced; needed when it starts anew",
    )
    note = serializers.CharField(max_length=400, allow_blank=True, default="")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["step"] != CounterStep.REPLACED:
            for name in ("first_value", "installation"):
                if attrs.get(name):
                    said = "Only of a counter that was replaced."
                    raise serializers.ValidationError({name: said}, code="not_replaced")
        return attrs


class ReadingCorrectionIn(serializers.Serializer[Any]):
    """What was really shown, and when; or that the reading was none."""

    value = WholeField(min_value=0, max_value=MAX_COUNTER, required=False)
    read_at = AwareDateTimeField(required=False)
    withdrawn = serializers.BooleanField(default=False)
    reason = serializers.CharField(max_length=400)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["withdrawn"] == ("value" in attrs or "read_at" in attrs):
            said = "Give a value or an instant, or withdraw the reading."
            raise serializers.ValidationError(said, code="nothing_to_correct")
        return attrs


class CounterViewSet(ListMixin, RetrieveMixin):
    """What counts pulses by itself."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = Counter.objects.all()
    serializer_class = CounterOut
    filterset_class = CounterFilter
    policy = {
        "list": "counter.read",
        "retrieve": "counter.read",
        "create": "counter.write",
        "partial_update": "counter.write",
    }

    @extend_schema(request=CounterIn, responses={201: CounterOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A counter of a device: chain manager or laser safety officer there."""
        fields = self.parse(CounterIn)
        laser, handpiece = fields.pop("laser", None), fields.pop("handpiece", None)
        counter = services.counter_create(
            device=laser or handpiece, fields=fields, actor=self.actor
        )
        return self.present(counter, status=status.HTTP_201_CREATED)

    @extend_schema(request=CounterChangeIn, responses=CounterOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change a counter: chain manager or laser safety officer there."""
        counter = services.counter_change(
            pk=self.get_object().pk,
            changes=self.parse(CounterChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(counter)


class CounterReadingViewSet(ListMixin, RetrieveMixin):
    """Readings of counters, the latest first. A wrong one is replaced by a further row."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = CounterReading.objects.select_related("counter", "correction")
    serializer_class = CounterReadingOut
    filterset_class = CounterReadingFilter
    keyset = ("-read_at", "-id")
    policy = {
        "list": "counter.read",
        "retrieve": "counter.read",
        "create": "counter_reading.write",
        "corrections": "counter_reading.correct",
    }

    @extend_schema(request=CounterReadingIn, responses={201: CounterReadingOut})
    @idempotent(required=True)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Store what a counter shows: operator, clinician or safety officer there, integrators.

        A counter never runs backwards. `rolled_over` needs its capacity, `replaced` the record of
        the part.
        """
        fields = self.parse(CounterReadingIn)
        reading = services.reading_record(
            counter_id=fields.pop("counter").pk,
            fields=fields,
            source="",
            actor=self.actor,
            now=self.now(),
        )
        return self.present(reading, status=status.HTTP_201_CREATED)

    @extend_schema(request=ReadingCorrectionIn, responses={201: CounterReadingOut})
    @action(detail=True, methods=["post"])
    @idempotent(required=True)
    def corrections(self, request: Request, **kwargs: Any) -> Response:
        """Put another reading in the place of a wrong one, or withdraw it: safety officer there."""
        fields = self.parse(ReadingCorrectionIn)
        reading = services.reading_correct(
            pk=self.get_object().pk,
            reason=fields.pop("reason"),
            fields=fields,
            actor=self.actor,
            now=self.now(),
        )
        return self.present(reading, status=status.HTTP_201_CREATED)
