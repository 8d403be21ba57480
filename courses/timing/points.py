"""Contact points: which of them a step may use, in which order, and when they are quiet. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import time
from zoneinfo import ZoneInfo

from courses.timing.cadence import Cadence, CadenceStep
from courses.timing.quiet import QuietHours
from courses.timing.words import MessagePurpose
from courses.vocabulary import Channel, RecallReason


@dataclass(frozen=True, slots=True)
class Point:
    """One way to reach a patient. `own_quiet` are hours the patient named, in `zone`.

    `off`: the address bounced or was refused.
    """

    id: int
    channel: Channel
    rank: int
    allowed: frozenset[str]
    opted_out: frozenset[str]
    zone: ZoneInfo
    own_quiet: tuple[time, time] | None = None
    off: bool = False

    def quiet_in(self, cadence: Cadence) -> QuietHours | None:
        """When not to disturb: the patient's own hours, else those of the chain."""
        hours = self.own_quiet or cadence.quiet.get(self.channel)
        return QuietHours(start=hours[0], end=hours[1], zone=self.zone) if hours else None


def usable_points(
    points: Iterable[Point], *, step: CadenceStep, reachable: frozenset[Channel]
) -> list[Point]:
    """Those that the step may use: by its order of channels, then by the patient's ranks."""
    order = {channel: place for place, channel in enumerate(step.channels)}
    usable = [one for one in points if why_unusable(one, step=step, reachable=reachable) is None]
    return sorted(usable, key=lambda one: (order.get(one.channel, 0), one.rank, one.id))


def why_unusable(
    point: Point, *, step: CadenceStep, reachable: frozenset[Channel]
) -> RecallReason | None:
    """Why the step may not use the contact point; None when it may."""
    why = why_refused(point, purpose=step.purpose, reachable=reachable)
    if why is None and step.channels and point.channel not in step.channels:
        return RecallReason.SUPERSEDED
    return why


def why_refused(
    point: Point, *, purpose: MessagePurpose, reachable: frozenset[Channel]
) -> RecallReason | None:
    """Opted out, never agreed, an address that is off, no way out; None when it may be used."""
    if purpose in point.opted_out:
        return RecallReason.OPTED_OUT
    if purpose not in point.allowed:
        return RecallReason.NO_CONSENT
    if point.off:
        return RecallReason.CONTACT_OFF
    return None if point.channel in reachable else RecallReason.CHANNEL_CLOSED
