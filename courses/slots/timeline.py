"""The timeline of an appointment: what is needed from which minute to which.

In a session of several passes the laser, the handpiece and the operator are needed only during
passes; between passes (about 20 minutes until the whitening has gone; common practice) the room
and the patient are. A whole-visit appointment is a timeline of one segment.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from core.spans import Span
from courses.science.errors import InvalidInput
from courses.vocabulary import TreatmentRole

ALL_ROLES = frozenset(TreatmentRole)
ROOM_AND_PATIENT = frozenset({TreatmentRole.ROOM, TreatmentRole.PATIENT})
MAX_VISIT_MINUTES = 12 * 60


class BadTimeline(InvalidInput):
    """A timeline without length, longer than 12 hours, or that leaves a role out."""

    def __init__(self, message: str) -> None:
        super().__init__(field="timeline", rule="timeline", message=message)

    def __reduce__(self) -> tuple[object, ...]:
        return (BadTimeline, (self.message,))


@dataclass(frozen=True, slots=True)
class Segment:
    """Some minutes during which `roles` are busy; `label` says what happens (free text)."""

    minutes: int
    roles: frozenset[TreatmentRole]
    label: str = ""


@dataclass(frozen=True, slots=True)
class Timeline:
    """Segments one after the other, from the start of the appointment to its end."""

    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        """Raise BadTimeline unless 0 < length <= 12 h and every role is needed at some time."""
        if any(segment.minutes <= 0 for segment in self.segments):
            raise BadTimeline("every segment takes at least one minute")
        if not 0 < self.minutes <= MAX_VISIT_MINUTES:
            raise BadTimeline(
                f"an appointment takes 1 to {MAX_VISIT_MINUTES} minutes, not {self.minutes}"
            )
        missing = ALL_ROLES.difference(*(segment.roles for segment in self.segments))
        if missing:
            raise BadTimeline(f"no segment needs {', '.join(sorted(missing))}")

    @property
    def minutes(self) -> int:
        """Length of the whole appointment in minutes."""
        return sum(segment.minutes for segment in self.segments)

    @classmethod
    def whole_visit(cls, minutes: int) -> "Timeline":
        """Everything is needed from start to end. Raises BadTimeline."""
        return cls((Segment(minutes, ALL_ROLES, "visit"),))

    def role_minutes(self, role: TreatmentRole) -> tuple[tuple[int, int], ...]:
        """When a role is needed, as (from, to) minutes after the start; touching parts merged."""
        parts: list[tuple[int, int]] = []
        at = 0
        for segment in self.segments:
            if role in segment.roles:
                if parts and parts[-1][1] == at:
                    parts[-1] = (parts[-1][0], at + segment.minutes)
                else:
                    parts.append((at, at + segment.minutes))
            at += segment.minutes
        return tuple(parts)


def multi_pass(
    passes: Iterable[int],
    *,
    wait_minutes: int = 20,
    prepare_minutes: int = 0,
    finish_minutes: int = 0,
    changeover_minutes: int = 0,
) -> Timeline:
    """A session of several passes, each of so many minutes, with waits between them.

    Preparation and finish need room, patient and operator; a wait needs room and patient only; a
    pass needs everything, for `changeover_minutes` longer before it. The changeover before every
    pass but the first is taken out of the wait. Raises BadTimeline.
    """
    staffed = ROOM_AND_PATIENT | {TreatmentRole.OPERATOR}
    segments = [Segment(prepare_minutes, staffed, "prepare")] if prepare_minutes else []
    for number, minutes in enumerate(passes, start=1):
        idle = wait_minutes - changeover_minutes
        if number > 1 and idle > 0:
            segments.append(Segment(idle, ROOM_AND_PATIENT, "wait"))
        segments.append(Segment(minutes + changeover_minutes, ALL_ROLES, f"pass {number}"))
    if finish_minutes:
        segments.append(Segment(finish_minutes, staffed, "finish"))
    return Timeline(tuple(segments))


def role_spans(timeline: Timeline, *, start: datetime) -> Mapping[TreatmentRole, tuple[Span, ...]]:
    """What booking must reserve for each role when the appointment begins at `start`.

    Exact minutes, sorted, disjoint, touching parts merged. Raises ValueError for a naive start.
    """
    return {
        role: tuple(
            Span(start + timedelta(minutes=begin), start + timedelta(minutes=end))
            for begin, end in timeline.role_minutes(role)
        )
        for role in TreatmentRole
    }
