"""Calendar feeds: a secret address is made, found by its token, and revoked."""

from dataclasses import dataclass
from datetime import datetime
from secrets import token_urlsafe
from typing import Final

from clinics.access import Actor, actor_for
from clinics.models import Resource
from clinics.vocabulary import ResourceKind
from core.db import command
from core.errors import Forbidden
from courses import locks
from courses.errors import FeedUnknown
from courses.models import CalendarFeed
from courses.selectors.calendars import digest_of

TOKEN_BYTES: Final = 32


@dataclass(frozen=True, slots=True)
class MadeFeed:
    """A new feed, and the token of its address: this is the only time it is known."""

    feed: CalendarFeed
    token: str


@command
def calendar_feed_make(*, resource: Resource, actor: Actor) -> MadeFeed:
    """Make a secret address for a resource's diary: one's own, or of a clinic one answers for.

    Raises NotAllowed.
    """
    _require(resource, actor=actor)
    token = token_urlsafe(TOKEN_BYTES)
    feed = CalendarFeed.objects.create(
        resource=resource, token_digest=digest_of(token), made_by_id=actor.staff_id
    )
    return MadeFeed(feed=feed, token=token)


@command
def calendar_feed_revoke(
    *, feed_id: int, actor: Actor, now: datetime, expected_version: int | None = None
) -> CalendarFeed:
    """Close the address at once and for good; again does nothing. Raises FeedUnknown, Stale."""
    feed = locks.lock_calendar_feed(pk=feed_id)
    if feed is None or feed.resource.chain_id != actor.chain_id:
        raise FeedUnknown(calendar_feed=feed_id)
    if feed.made_by_id != actor.staff_id:
        _require(feed.resource, actor=actor)
    feed.check_version(expected_version)
    if feed.revoked_at is None:
        feed.revoked_at = now
        feed.save()
    return feed


def calendar_feed_stands(feed: CalendarFeed, *, now: datetime) -> bool:
    """Whether who made the address might make it now: it opens no more than they may open."""
    user_id = feed.made_by.user_id
    # A code was asked for when it was made, where one is asked for.
    maker = None if user_id is None else actor_for(user_id, now=now, second_factor=True)
    if maker is None:
        return False
    try:
        _require(feed.resource, actor=maker)
    except Forbidden:
        return False
    return True


def _require(resource: Resource, *, actor: Actor) -> None:
    own = resource.kind == ResourceKind.STAFF and resource.staff_member.pk == actor.staff_id
    if own:
        actor.require("calendar_feed.write")
    else:
        actor.require_at(resource.clinic_id, "calendar_feed.of_others")
