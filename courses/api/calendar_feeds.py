"""Calendar feeds: made and revoked by staff, read by calendars at their secret addresses."""

import hashlib
from typing import Any, Final
from uuid import uuid5

from django.http import HttpResponse
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiResponse, extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from clinics.models import Resource, Room, StaffMember
from clinics.vocabulary import ResourceKind
from core.api.fields import VisibleRelatedField
from core.api.filters import WholeNumberFilter, YesNoFilter
from core.api.permissions import PUBLIC
from core.api.preconditions import expected_version, known_tag, unchanged
from core.api.views import FallowView
from core.api.viewsets import ListMixin, RetrieveMixin
from core.db import reading, within_chain
from core.vocabulary import choices
from courses.api.calendar_text import calendar_text
from courses.errors import FeedUnknown
from courses.models import CalendarFeed
from courses.selectors.calendars import NAMESPACE, diary_events, feed_at, feed_chain, feed_name
from courses.services.calendar_feeds import (
    calendar_feed_make,
    calendar_feed_revoke,
    calendar_feed_stands,
)
from devices.models import Laser

OWNERS: Final = ("room", "operator", "laser")


class FeedIn(serializers.Serializer[Any]):
    """Whose diary: one of a room, an operator and a laser."""

    room = VisibleRelatedField(queryset=Room.objects.select_related("resource"), required=False)
    operator = VisibleRelatedField(
        queryset=StaffMember.objects.select_related("resource"), required=False
    )
    laser = VisibleRelatedField(queryset=Laser.objects.select_related("resource"), required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if len(attrs) != 1:
            raise serializers.ValidationError(
                {"room": "Give one of room, operator and laser."}, code="either"
            )
        return attrs


class FeedOut(serializers.ModelSerializer[CalendarFeed]):
    """A calendar feed. Its address is shown once, when it is made."""

    kind = serializers.ChoiceField(
        source="resource.kind", choices=choices(ResourceKind), read_only=True
    )
    room = serializers.SerializerMethodField()
    operator = serializers.SerializerMethodField()
    laser = serializers.SerializerMethodField()

    class Meta:
        model = CalendarFeed
        fields = (
            "id",
            "version",
            "kind",
            "room",
            "operator",
            "laser",
            "made_by",
            "created_at",
            "revoked_at",
        )
        read_only_fields = fields

    def get_room(self, feed: CalendarFeed) -> int | None:
        return _own_id(feed.resource, ResourceKind.ROOM)

    def get_operator(self, feed: CalendarFeed) -> int | None:
        return _own_id(feed.resource, ResourceKind.STAFF)

    def get_laser(self, feed: CalendarFeed) -> int | None:
        return _own_id(feed.resource, ResourceKind.LASER)


class MadeFeedOut(FeedOut):
    """A new feed with its address: keep it secret, it opens the diary to whoever has it."""

    address = serializers.SerializerMethodField()

    class Meta:
        model = CalendarFeed
        fields = (*FeedOut.Meta.fields, "address")
        read_only_fields = fields

    def get_address(self, feed: CalendarFeed) -> str:
        kwargs = {"token": self.context["view"].token}
        return str(reverse("calendar", kwargs=kwargs, request=self.context["request"]))


class FeedFilter(filters.FilterSet):
    """Of whose diary, and whether it is open still."""

    room = WholeNumberFilter(field_name="resource__room")
    operator = WholeNumberFilter(field_name="resource__staff_member")
    laser = WholeNumberFilter(field_name="resource__laser")
    revoked = YesNoFilter(field_name="revoked_at", lookup_expr="isnull", exclude=True)

    class Meta:
        model = CalendarFeed
        fields = ()


@extend_schema_view(
    list=extend_schema(summary="List calendar feeds"),
    retrieve=extend_schema(summary="Show a calendar feed"),
)
class CalendarFeedViewSet(ListMixin, RetrieveMixin):
    """Calendar feeds of the chain; without their addresses, which nobody knows any more."""

    queryset = CalendarFeed.objects.select_related(
        "resource__room", "resource__laser", "resource__staff_member"
    )
    serializer_class = FeedOut
    filterset_class = FeedFilter
    policy = {
        "list": "calendar_feed.read",
        "retrieve": "calendar_feed.read",
        "create": "calendar_feed.write",
        "destroy": "calendar_feed.write",
    }

    # No Idempotency-Key: the answer holds a secret that is not to be stored. A repeat makes
    # another address, which can be revoked.
    @extend_schema(
        request=FeedIn, responses={201: MadeFeedOut}, summary="Make a secret calendar address"
    )
    def create(self, request: Request) -> Response:
        """Anyone on the staff for their own diary; managers and the front desk for any.

        The address is in this answer and nowhere else.
        """
        [(_, owner)] = self.parse(FeedIn).items()
        made = calendar_feed_make(resource=owner.resource, actor=self.actor)
        feed = self.get_queryset().get(pk=made.feed.pk)
        self.token = made.token
        return self.present(feed, status=201, serializer_class=MadeFeedOut)

    @extend_schema(responses={204: None}, summary="Revoke a calendar address")
    def destroy(self, request: Request, pk: str) -> Response:
        """The address answers 404 from now on. For whoever made it, managers, the front desk."""
        calendar_feed_revoke(
            feed_id=int(pk),
            actor=self.actor,
            now=self.now(),
            expected_version=expected_version(request),
        )
        return Response(status=204)


class AnyAccept(BaseContentNegotiation):
    """Calendars ask for many things; they all get a calendar."""

    def select_renderer(
        self, request: Request, renderers: Any, format_suffix: str | None = None
    ) -> Any:
        return renderers[0], renderers[0].media_type

    def select_parser(self, request: Request, parsers: Any) -> Any:
        return None


class CalendarView(FallowView):
    """A diary at its secret address, for calendar programs."""

    policy = {"get": PUBLIC}
    authentication_classes = ()
    content_negotiation_class = AnyAccept
    throttle_scope = "calendar"

    @extend_schema(
        operation_id="calendars_retrieve",
        auth=[],
        responses={(200, "text/calendar"): OpenApiResponse(str, "RFC 5545, RFC 7986")},
        summary="A diary as a calendar",
    )
    def get(self, request: Request, token: str) -> HttpResponse:
        """Two weeks back and half a year on, in UTC, without a word about any person.

        Whoever has the address may read it. 304 for a known ETag; 404 once it is revoked, or who
        made it might not make it any more.
        """
        chain_id = feed_chain(token)
        if chain_id is None:
            raise FeedUnknown
        with within_chain(chain_id), reading():
            return self._calendar(request, token)

    def _calendar(self, request: Request, token: str) -> HttpResponse:
        feed = feed_at(token)
        if feed is None or not calendar_feed_stands(feed, now=self.now()):
            raise FeedUnknown
        events = diary_events(feed.resource, now=self.now())
        body = calendar_text(
            events, name=feed_name(feed), uid=uuid5(NAMESPACE, f"resource:{feed.resource_id}")
        )
        tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
        known = known_tag(request, tag)
        if known is not None:
            response = unchanged(HttpResponse(status=304), known)
        else:
            response = HttpResponse(body, content_type="text/calendar; charset=utf-8")
            response.headers["ETag"] = tag
        # Asked for anew each time, so that a revoked address is closed at once.
        response.headers["Cache-Control"] = "private, no-cache"
        return response


def _own_id(resource: Resource, kind: ResourceKind) -> int | None:
    if resource.kind != kind:
        return None
    name = "staff_member" if kind is ResourceKind.STAFF else kind.value
    owner: Any = getattr(resource, name)
    return int(owner.pk)
