"""Which visits without a new slot keep time that the plan gives to others."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from core.spans import Span
from courses.models import Appointment, ReplanRow
from courses.services.replans.as_json import visit_of_json
from courses.slots import role_spans
from courses.vocabulary import ReplanRowStatus, TreatmentRole

Key = tuple[TreatmentRole, int]


def in_the_way(
    rows: Sequence[ReplanRow], appointments: Iterable[Appointment]
) -> Iterator[tuple[ReplanRow, list[int]]]:
    """Rows without a new slot, each with the (sorted) appointments placed on what it keeps busy.

    `appointments` are those of the rows, with their courses.
    """
    by_pk = {one.pk: one for one in appointments}
    given: dict[Key, list[tuple[Span, int]]] = defaultdict(list)
    for row in rows:
        if row.status == ReplanRowStatus.PLACED and row.new is not None:
            for key, span in _uses(row.new, by_pk[row.appointment_id]):
                given[key].append((span, row.appointment_id))
    for row in rows:
        if row.status == ReplanRowStatus.UNPLACED:
            others = {
                pk
                for key, kept in _uses(row.old, by_pk[row.appointment_id])
                for span, pk in given.get(key, ())
                if span.overlaps(kept)
            }
            if others:
                yield row, sorted(others)


def _uses(stored: Mapping[str, Any], appointment: Appointment) -> Iterator[tuple[Key, Span]]:
    visit = visit_of_json(stored, timeline=appointment.timeline)
    place = visit.place
    members = {
        TreatmentRole.ROOM: (place.room_id,),
        TreatmentRole.OPERATOR: (place.operator_id,),
        TreatmentRole.LASER: (place.laser_id,),
        TreatmentRole.HANDPIECE: place.handpiece_ids,
        TreatmentRole.PATIENT: (appointment.course.patient_id,),
    }
    for role, spans in role_spans(visit.timeline, start=visit.starts_at).items():
        for pk in members[role]:
            for span in spans:
                yield (role, pk), span
