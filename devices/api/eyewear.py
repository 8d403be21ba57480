"""The inventory of eyewear, whether a room has what fits, and what the chain demands."""

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.hours import local_date, zone_named
from clinics.models import Clinic, Room
from core.api.fields import DayField, VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import ComputedOut, RowSerializer, WholePartIn
from core.api.viewsets import FallowViewSet, ListMixin, RetrieveMixin
from core.vocabulary import choices
from devices import selectors
from devices.api.computed import CAUTION
from devices.api.eyewear_filters import AccompanyingFilter, EyewearFilter
from devices.api.fields import MAX_ENERGY_J, ChangeIn, QuantityField, WholeField
from devices.api.safety_calculators import DENSITY, LEVEL, WORST
from devices.api.safety_fields import LimitSetField, basis_of
from devices.models import AccompanyingEmission, EmissionLine, Eyewear, EyewearPolicy, Laser
from devices.services import eyewear as services
from devices.vocabulary import EyewearCheck, EyewearKind, EyewearState

MOST_DENSITY = 20
MOST_OTHERS = 20


class DensityRange(WholePartIn):
    """Optical density over a range of wavelengths, ends included; one wavelength: both the same."""

    low_nm = QuantityField(min_value=180, max_value=20_000)
    high_nm = QuantityField(min_value=180, max_value=20_000)
    density = QuantityField(max_value=MOST_DENSITY)


class EyewearOut(RowSerializer):
    """A pair, or a set of patient shields."""

    densities = DensityRange(many=True)
    marks = serializers.ListField(child=serializers.CharField())
    inspected_on = DayField(allow_null=True)

    class Meta:
        model = Eyewear
        fields = [
            "id",
            "version",
            "clinic",
            "room",
            "label",
            "kind",
            "densities",
            "marks",
            "maker_mark",
            "state",
            "inspected_on",
            "inspected_by",
            "note",
        ]


class EyewearFields(serializers.Serializer[Any]):
    """What stands on it, and where it is kept."""

    label = serializers.CharField(  # type: ignore[assignment]
        max_length=80, help_text="What the clinic calls it"
    )
    kind = serializers.ChoiceField(choices=choices(EyewearKind))
    clinic = VisibleRelatedField(queryset=Clinic.objects.all())
    room = VisibleRelatedField(
        queryset=Room.objects.all(), allow_null=True, required=False, help_text="Empty: any room"
    )
    densities: serializers.ListSerializer[Any] = serializers.ListSerializer(
        child=DensityRange(), required=False, max_length=50
    )
    marks = serializers.ListField(
        child=serializers.CharField(max_length=120),
        required=False,
        max_length=50,
        help_text="After EN 207, such as `1064 D LB6 + IR LB8` or `800-1100 DIRM LB5`",
    )
    maker_mark = serializers.CharField(max_length=80, required=False, allow_blank=True)
    note = serializers.CharField(max_length=400, required=False, allow_blank=True)


class EyewearIn(EyewearFields):
    """New eyewear."""

    inspected_on = DayField(required=False, help_text="Last looked at; without it does not count")


class EyewearChangeIn(ChangeIn, EyewearFields):
    """What is to be different."""

    state = serializers.ChoiceField(choices=choices(EyewearState))


class EyewearInspectionIn(serializers.Serializer[Any]):
    """That it was looked at, and how it is."""

    inspected_on = DayField(required=False, help_text="Today in the clinic when left out")
    state = serializers.ChoiceField(choices=choices(EyewearState))
    note = serializers.CharField(max_length=400, allow_blank=True, default="")


class RoomEyewearIn(serializers.Serializer[Any]):
    """Which room, with which laser, for what and for how many."""

    room = VisibleRelatedField(queryset=Room.objects.select_related("clinic"))
    laser = VisibleRelatedField(queryset=Laser.objects.all())
    wavelengths_nm = serializers.ListField(
        child=WholeField(min_value=180, max_value=20_000),
        default=list,
        max_length=20,
        help_text="What is fired; left out: every line of the laser",
    )
    others_present = WholeField(
        default=0, min_value=0, max_value=MOST_OTHERS, help_text="Besides operator and patient"
    )


class HeldUpOut(serializers.Serializer[Any]):
    """Eyewear that would fit, but does not count."""

    label = serializers.CharField()  # type: ignore[assignment]
    reason = serializers.CharField()


class FiringOut(serializers.Serializer[Any]):
    """A line, all that leaves the laser with it, what one pair needs, and what there is."""

    wavelength_nm = serializers.IntegerField()
    emitted_nm = serializers.ListField(child=serializers.IntegerField())
    needed = serializers.ListField(child=serializers.CharField())
    fitting = serializers.ListField(child=serializers.CharField())
    shields = serializers.ListField(child=serializers.CharField())
    do_not_count = HeldUpOut(many=True)


class LackingOut(serializers.Serializer[Any]):
    """A line for which there is not enough."""

    wavelength_nm = serializers.IntegerField(help_text="The line that is fired")
    lacking_nm = serializers.ListField(child=serializers.IntegerField())
    needed = serializers.ListField(child=serializers.CharField(), help_text="What would fit")
    detail = serializers.CharField()


class RoomEyewearOut(ComputedOut):
    """Whether the room has fitting eyewear for everyone and every wavelength."""

    enough = serializers.BooleanField()
    staff = serializers.IntegerField(help_text="The operator and the others")
    patients = serializers.IntegerField()
    at_booking = serializers.ChoiceField(choices=choices(EyewearCheck))
    at_session = serializers.ChoiceField(choices=choices(EyewearCheck))
    limit_set = LimitSetField()
    firings = FiringOut(many=True)
    lacking = LackingOut(many=True)


@extend_schema_view(
    list=extend_schema(summary="List eyewear"), retrieve=extend_schema(summary="Show eyewear")
)
class EyewearViewSet(ListMixin, RetrieveMixin):
    """Eyewear of the chain, where it is kept and when it was last looked at."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = Eyewear.objects.all()
    serializer_class = EyewearOut
    filterset_class = EyewearFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "eyewear.write",
        "partial_update": "eyewear.write",
        "inspect": "eyewear.write",
        "check": "device.read",
    }

    @extend_schema(request=EyewearIn, responses={201: EyewearOut}, summary="Add eyewear")
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Add a pair or patient shields: chain manager or laser safety officer there."""
        fields = self.parse(EyewearIn)
        eyewear = services.eyewear_create(
            clinic=fields.pop("clinic"), fields=fields, actor=self.actor, now=self.now()
        )
        return self.present(eyewear, status=status.HTTP_201_CREATED)

    @extend_schema(request=EyewearChangeIn, responses=EyewearOut, summary="Change eyewear")
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change it, move it, take it out of use: manager or laser safety officer there."""
        eyewear = services.eyewear_change(
            pk=self.get_object().pk,
            changes=self.parse(EyewearChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(eyewear)

    @extend_schema(
        request=EyewearInspectionIn, responses=EyewearOut, summary="Record an inspection"
    )
    @action(detail=True, methods=["post"])
    @idempotent(required=False)
    def inspect(self, request: Request, **kwargs: Any) -> Response:
        """Record that it was looked at: manager or laser safety officer there."""
        given = self.parse(EyewearInspectionIn)
        eyewear = services.eyewear_inspect(
            pk=self.get_object().pk,
            on=given.get("inspected_on"),
            state=EyewearState(given["state"]),
            note=given["note"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(eyewear)

    @extend_schema(
        request=RoomEyewearIn,
        responses=RoomEyewearOut,
        summary="Check the eyewear of a room for a laser",
    )
    @action(detail=False, methods=["post"])
    def check(self, request: Request, **kwargs: Any) -> Response:
        """Whether a room has fitting eyewear today for all that a laser emits. Everyone may ask.

        The same check is made when a visit is booked and before a session.
        """
        given = self.parse(RoomEyewearIn)
        room: Room = given["room"]
        standing = selectors.eyewear_standing(
            selectors.EyewearQuestion(
                clinic_id=room.clinic_id,
                room_id=room.pk,
                laser_model_id=given["laser"].laser_model_id,
                on=local_date(self.now(), zone_named(room.clinic.time_zone)),
                wavelengths_nm=frozenset(given["wavelengths_nm"]),
                others_present=given["others_present"],
            ),
            policy=selectors.eyewear_policy_of(self.actor.chain_id),
        )
        return self.show(RoomEyewearOut, eyewear_answer(standing))


def eyewear_answer(standing: selectors.EyewearStanding) -> dict[str, Any]:
    """A check with where it comes from."""
    clauses = [
        clause
        for fit in standing.check.fits
        for need in fit.firing.requirements
        for clause in need.limit.clauses
    ]
    return {
        **selectors.eyewear_json(standing),
        "basis": [*basis_of(*clauses), DENSITY, LEVEL, WORST],
        "caution": CAUTION,
    }


class EyewearPolicyOut(RowSerializer):
    """What the chain demands of eyewear; version 0 is the defaults, nobody has changed them."""

    class Meta:
        model = EyewearPolicy
        fields = [
            "version",
            "at_booking",
            "at_session",
            "limit_set",
            "exposure_s",
            "margin",
            "needs_levels",
            "inspection_months",
        ]


class EyewearPolicyIn(ChangeIn):
    """What is to be different."""

    at_booking = serializers.ChoiceField(choices=choices(EyewearCheck))
    at_session = serializers.ChoiceField(choices=choices(EyewearCheck))
    limit_set = LimitSetField()
    exposure_s = QuantityField(min_value=0.25, max_value=10)
    margin = QuantityField(min_value=1, max_value=10)
    needs_levels = serializers.BooleanField()
    inspection_months = WholeField(min_value=1, max_value=60)


class EyewearPolicyViewSet(FallowViewSet):
    """What the chain of whoever asks demands: one, so its address needs no id."""

    queryset = EyewearPolicy.objects.all()
    serializer_class = EyewearPolicyOut
    policy = {"retrieve": "device.read", "partial_update": "eyewear_policy.write"}

    @extend_schema(summary="What the chain demands of eyewear")
    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """The chain's policy of eyewear, or the defaults. Everyone may ask."""
        return self.present(self._policy())

    @extend_schema(
        request=EyewearPolicyIn,
        responses=EyewearPolicyOut,
        summary="Change what the chain demands of eyewear",
    )
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change it: chain manager or laser safety officer of the whole chain."""
        policy = services.eyewear_policy_set(
            changes=self.parse(EyewearPolicyIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(policy)

    def _policy(self) -> EyewearPolicy:
        policy = selectors.eyewear_policy_of(self.actor.chain_id)
        policy.version = policy.version if policy.pk else 0
        return policy


class AccompanyingEmissionOut(RowSerializer):
    """A wavelength that leaves the laser together with a line."""

    class Meta:
        model = AccompanyingEmission
        fields = ["id", "version", "line", "wavelength_nm", "max_energy_j"]


class AccompanyingEmissionIn(serializers.Serializer[Any]):
    """What leaves the laser with a line; see the maker's instructions."""

    line = VisibleRelatedField(queryset=EmissionLine.objects.all())
    wavelength_nm = WholeField(min_value=180, max_value=20_000)
    max_energy_j = QuantityField(max_value=MAX_ENERGY_J, help_text="Largest energy of one pulse")


@extend_schema_view(
    list=extend_schema(summary="List accompanying emissions"),
    retrieve=extend_schema(summary="Show an accompanying emission"),
)
class AccompanyingEmissionViewSet(ListMixin, RetrieveMixin):
    """What leaves the lasers with a line. A doubled line's other wavelength is known by itself."""

    http_method_names = ["get", "post", "delete", "head", "options"]
    queryset = AccompanyingEmission.objects.all()
    serializer_class = AccompanyingEmissionOut
    filterset_class = AccompanyingFilter
    policy = {
        "list": "device.read",
        "retrieve": "device.read",
        "create": "laser_model.write",
        "destroy": "laser_model.write",
    }

    @extend_schema(
        request=AccompanyingEmissionIn,
        responses={201: AccompanyingEmissionOut},
        summary="Add an accompanying emission",
    )
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Record what leaves a laser with a line: chain manager or laser safety officer."""
        given = self.parse(AccompanyingEmissionIn)
        emission = services.accompanying_emission_add(
            line_id=given.pop("line").pk, **given, actor=self.actor
        )
        return self.present(emission, status=status.HTTP_201_CREATED)

    @extend_schema(responses={204: None}, summary="Remove an accompanying emission")
    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Take it back: chain manager or laser safety officer."""
        services.accompanying_emission_remove(
            pk=self.get_object().pk, expected_version=expected_version(request), actor=self.actor
        )
        return Response(status=status.HTTP_204_NO_CONTENT)
