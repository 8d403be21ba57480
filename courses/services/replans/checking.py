"""What has changed since a proposal was made, so that a visit cannot be moved as proposed."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from clinics.errors import ResourceTaken
from clinics.querysets import HasChain
from core.db import step
from courses.errors import PlaceUnknown
from courses.models import Appointment, ReplanRow
from courses.selectors.appointments import open_at
from courses.selectors.sequence import comes_before, free_again_at
from courses.selectors.slots import Fitness, visit_fitness
from courses.selectors.visits import Visit, VisitResources, visit_resources
from courses.slots import reason_json
from courses.vocabulary import AppointmentStatus, CourseStatus

Json = dict[str, Any]


@dataclass(slots=True, eq=False)
class Move:
    """A locked appointment and the visit it is to become; `free_again` by what it was."""

    row: ReplanRow
    appointment: Appointment
    visit: Visit
    free_again: datetime
    resources: VisitResources | None = None
    changes: list[Json] = field(default_factory=list)

    def changed(self, code: str, detail: str, **data: Any) -> None:
        """Note why it cannot be moved as proposed."""
        self.changes.append(
            {"appointment": self.appointment.pk, "code": code, "detail": detail, "data": data}
        )


def note_changed(moves: Iterable[Move], *, now: datetime) -> None:
    """Note appointments that are not what they were when the run looked."""
    for move in moves:
        one = move.appointment
        if one.status != AppointmentStatus.BOOKED:
            move.changed("not_booked", f"It is {one.status} by now.", status=one.status)
        elif one.version != move.row.appointment_version:
            start = one.starts_at.isoformat()
            move.changed("changed", "It has been moved or changed meanwhile.", starts_at=start)
        elif one.starts_at <= now:
            move.changed("begun", "Its time has come.", starts_at=one.starts_at.isoformat())
        if one.course.status != CourseStatus.ACTIVE:
            move.changed(
                "course_not_running", "The course is not active.", status=one.course.status
            )


def find_resources(moves: Iterable[Move], *, actor: HasChain) -> None:
    """Look up what each visit keeps busy. One query each."""
    for move in moves:
        patient_id = move.appointment.course.patient_id
        try:
            move.resources = visit_resources(move.visit.place, patient_id=patient_id, actor=actor)
        except PlaceUnknown as unknown:
            move.changed("place_unknown", unknown.detail, **unknown.data)


def note_too_close(moves: Sequence[Move], *, leaving: Collection[int], now: datetime) -> None:
    """Note visits that would leave skin no time to heal, before or after them. One query.

    The appointments are at their new times already. `leaving`: those without a new slot, which
    cannot be where they are.
    """
    moved = {move.appointment.pk: move.appointment for move in moves}
    siblings: dict[int, list[Appointment]] = {}
    standing = Appointment.objects.filter(
        open_at(now), course__in={move.appointment.course_id for move in moves}
    )
    for one in standing.exclude(pk__in=leaving):
        siblings.setdefault(one.course_id, []).append(moved.get(one.pk, one))
    for move in moves:
        for other in siblings.get(move.appointment.course_id, ()):
            if other.pk != move.appointment.pk:
                _note_close(move, other, stays=other.pk not in moved)


def _note_close(move: Move, other: Appointment, *, stays: bool) -> None:
    one = move.appointment
    data = {"other": other.pk, "starts_at": other.starts_at.isoformat()}
    if comes_before(other, one):
        if one.starts_at < free_again_at(other):
            detail = "The session before it would leave the skin too little time."
            move.changed("too_soon_after", detail, **data)
    elif stays and move.free_again <= other.starts_at < free_again_at(one):
        detail = "It would leave the skin too little time before the session after it."
        move.changed("leaves_too_early", detail, **data)


@step
def is_fit(move: Move, *, actor: HasChain, now: datetime) -> bool:
    """Ask under the locks whether the visit can be; if not, the reasons are noted."""
    fitness, reasons = visit_fitness(move.appointment.course, move.visit, actor=actor, now=now)
    if fitness is Fitness.FIT:
        return True
    taken = fitness is Fitness.TAKEN
    move.changed(
        "slot_taken" if taken else "slot_unfit",
        "Its new slot is taken." if taken else "Its new slot does not fit any more.",
        reasons=[reason_json(reason) for reason in reasons],
    )
    return False


def note_taken(move: Move, taken: ResourceTaken) -> None:
    """Note that the reservations say no where the search said yes."""
    move.changed("slot_taken", "Its new slot is taken.", **taken.data)


def changes_of(moves: Iterable[Move]) -> Iterator[Mapping[str, Any]]:
    """Everything that was noted."""
    for move in moves:
        yield from move.changes
