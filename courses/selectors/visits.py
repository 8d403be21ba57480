"""What an appointment takes up: a place, a start and a timeline, and the resources behind them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final, Self

from clinics.querysets import HasChain
from clinics.vocabulary import ResourceKind
from core.prepared import Prepared
from courses.errors import PlaceUnknown, input_refused
from courses.models import Appointment
from courses.selectors.plans import Technique, diary_timeline, visit_plan
from courses.slots import Segment, Slot, Timeline
from courses.vocabulary import TreatmentRole

RESOURCES: Final = Prepared("""
    SELECT own.kind, own.id, own.resource_id
    FROM (
        SELECT 'room' AS kind, id, resource_id FROM clinics_room WHERE id = %(room)s::bigint
        UNION ALL SELECT 'staff', id, resource_id
        FROM clinics_staffmember WHERE id = %(operator)s::bigint
        UNION ALL SELECT 'laser', id, resource_id
        FROM devices_laser WHERE id = %(laser)s::bigint
        UNION ALL SELECT 'handpiece', id, resource_id
        FROM devices_handpiece WHERE id = ANY (%(handpieces)s::bigint[])
        UNION ALL SELECT 'patient', id, resource_id
        FROM courses_patient WHERE id = %(patient)s::bigint
    ) AS own
    JOIN clinics_resource ON clinics_resource.id = own.resource_id
    WHERE clinics_resource.chain_id = %(chain)s::bigint
""")

KNOWN: Final = Prepared("""
    SELECT 'clinic', id FROM clinics_clinic
    WHERE id = %(clinic)s::bigint AND chain_id = %(chain)s::bigint
    UNION ALL SELECT 'room', room.id FROM clinics_room AS room
    JOIN clinics_clinic AS clinic ON clinic.id = room.clinic_id
    WHERE room.id = %(room)s::bigint AND clinic.chain_id = %(chain)s::bigint
    UNION ALL SELECT 'operator', id FROM clinics_staffmember
    WHERE id = %(operator)s::bigint AND chain_id = %(chain)s::bigint
    UNION ALL SELECT 'laser', id FROM devices_laser
    WHERE id = %(laser)s::bigint AND chain_id = %(chain)s::bigint
    UNION ALL SELECT 'handpiece', id FROM devices_handpiece
    WHERE id = ANY (%(handpieces)s::bigint[]) AND chain_id = %(chain)s::bigint
    UNION ALL SELECT 'course', id FROM courses_course
    WHERE id = %(course)s::bigint AND chain_id = %(chain)s::bigint
""")


@dataclass(frozen=True, slots=True)
class Place:
    """Where and with whom and what; primary keys."""

    clinic_id: int
    room_id: int
    operator_id: int
    laser_id: int
    handpiece_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Visit:
    """One appointment to be: from when, how long each part takes, where, on which lines (nm).

    `passes` over the area, where it is known; else as many as the laser is needed apart.
    """

    starts_at: datetime
    timeline: Timeline
    place: Place
    wavelengths_nm: tuple[int, ...]
    passes: int | None = None

    @property
    def planned_passes(self) -> int:
        """Passes over the area."""
        return self.passes or len(self.timeline.role_minutes(TreatmentRole.LASER))

    @property
    def ends_at(self) -> datetime:
        """The instant after the last segment."""
        return self.starts_at + timedelta(minutes=self.timeline.minutes)

    @classmethod
    def of(cls, appointment: Appointment) -> Self:
        """The visit that a stored appointment stands for."""
        return cls(
            starts_at=appointment.starts_at,
            timeline=timeline_from_json(appointment.timeline),
            place=Place(
                clinic_id=appointment.clinic_id,
                room_id=appointment.room_id,
                operator_id=appointment.operator_id,
                laser_id=appointment.laser_id,
                handpiece_ids=tuple(
                    appointment.handpieces.order_by("pk").values_list("pk", flat=True)
                ),
            ),
            wavelengths_nm=tuple(appointment.wavelengths_nm),
        )

    def timeline_json(self) -> list[dict[str, Any]]:
        """The timeline as it is stored and sent."""
        return timeline_json(self.timeline)


@dataclass(frozen=True, slots=True)
class VisitResources:
    """The resource ids of a visit, by role."""

    by_role: Mapping[TreatmentRole, tuple[int, ...]]

    def of(self, role: TreatmentRole) -> tuple[int, ...]:
        """The resource ids of one role."""
        return self.by_role[role]

    def ids(self) -> list[int]:
        """All of them, sorted."""
        return sorted({pk for ids in self.by_role.values() for pk in ids})


def visit_of_slot(slot: Slot, timeline: Timeline, *, passes: int | None = None) -> Visit:
    """A found slot as a visit of that timeline."""
    return Visit(
        starts_at=slot.start,
        timeline=timeline,
        place=Place(
            clinic_id=slot.clinic_id,
            room_id=slot.room_id,
            operator_id=slot.operator_id,
            laser_id=slot.laser_id,
            handpiece_ids=tuple(sorted(slot.handpiece_ids)),
        ),
        wavelengths_nm=slot.wavelengths_nm,
        passes=passes,
    )


def timeline_json(timeline: Timeline) -> list[dict[str, Any]]:
    """Segments as JSON: minutes, label and the roles in a steady order."""
    return [
        {
            "minutes": segment.minutes,
            "label": segment.label,
            "roles": [role.value for role in TreatmentRole if role in segment.roles],
        }
        for segment in timeline.segments
    ]


def timeline_from_json(rows: list[dict[str, Any]]) -> Timeline:
    """The timeline that `timeline_json` wrote. Raises BadTimeline."""
    return Timeline(
        tuple(
            Segment(
                minutes=row["minutes"],
                roles=frozenset(TreatmentRole(role) for role in row["roles"]),
                label=row["label"],
            )
            for row in rows
        )
    )


def planned_timeline(course_id: int, *, technique: Technique, actor: HasChain) -> Timeline:
    """The computed timeline of a course's next visit. One query.

    Raises CourseUnknown, NothingToTreat, InputRefused.
    """
    plan = visit_plan(course_id, actor=actor)
    with input_refused():
        return diary_timeline(plan.length(technique))


def known_of_place(
    place: Place, *, actor: HasChain, course_id: int | None = None
) -> set[tuple[str, int]]:
    """What of a place (and a course) is the actor's chain's, as (role, key).

    It need not fit together. One query.
    """
    rows = KNOWN.rows(
        clinic=place.clinic_id,
        room=place.room_id,
        operator=place.operator_id,
        laser=place.laser_id,
        handpieces=list(place.handpiece_ids),
        course=course_id,
        chain=actor.chain_id,
    )
    return {(role, pk) for role, pk in rows}


def visit_resources(place: Place, *, patient_id: int, actor: HasChain) -> VisitResources:
    """The resources of a place and a patient of the actor's chain. One query.

    Raises PlaceUnknown, naming the field, for anything that is not of this chain.
    """
    rows = RESOURCES.rows(
        room=place.room_id,
        operator=place.operator_id,
        laser=place.laser_id,
        handpieces=list(place.handpiece_ids),
        patient=patient_id,
        chain=actor.chain_id,
    )
    found: dict[tuple[str, int], int] = {(kind, own_id): pk for kind, own_id, pk in rows}

    def one(kind: ResourceKind, own_id: int, field: str) -> int:
        try:
            return found[kind, own_id]
        except KeyError:
            raise PlaceUnknown(field=field, id=own_id) from None

    return VisitResources(
        {
            TreatmentRole.ROOM: (one(ResourceKind.ROOM, place.room_id, "room"),),
            TreatmentRole.OPERATOR: (one(ResourceKind.STAFF, place.operator_id, "operator"),),
            TreatmentRole.LASER: (one(ResourceKind.LASER, place.laser_id, "laser"),),
            TreatmentRole.HANDPIECE: tuple(
                one(ResourceKind.HANDPIECE, pk, "handpieces") for pk in place.handpiece_ids
            ),
            TreatmentRole.PATIENT: (one(ResourceKind.PATIENT, patient_id, "patient"),),
        }
    )
