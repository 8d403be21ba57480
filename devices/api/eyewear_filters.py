"""What the lists of eyewear and of accompanying emissions can be narrowed by."""

from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet

from core.vocabulary import choices
from devices.api.filters import WholeNumberFilter
from devices.models import AccompanyingEmission, Eyewear
from devices.vocabulary import EyewearKind, EyewearState


class EyewearFilter(FilterSet):
    """Eyewear by place, kind, state and label."""

    clinic = WholeNumberFilter(field_name="clinic_id")
    room = WholeNumberFilter(field_name="room_id")
    kind = ChoiceFilter(choices=choices(EyewearKind))
    state = ChoiceFilter(choices=choices(EyewearState))
    label = CharFilter()

    class Meta:
        model = Eyewear
        fields: list[str] = []


class AccompanyingFilter(FilterSet):
    """Accompanying emissions by line."""

    line = WholeNumberFilter(field_name="line_id")

    class Meta:
        model = AccompanyingEmission
        fields: list[str] = []
