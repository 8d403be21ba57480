"""Visits, placements and answers as a re-plan stores them."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from courses.models import Appointment, ReplanRow
from courses.replan import Placement, Progress, ReplanAnswer
from courses.selectors.replanning.outages import handpiece_ids
from courses.selectors.visits import Place, Visit, timeline_from_json

Json = dict[str, Any]


def visit_json(appointment: Appointment) -> Json:
    """Where and when an appointment is that was read with its handpieces."""
    return {
        "start": _instant(appointment.starts_at),
        "end": _instant(appointment.ends_at),
        "clinic": appointment.clinic_id,
        "room": appointment.room_id,
        "operator": appointment.operator_id,
        "laser": appointment.laser_id,
        "handpieces": list(handpiece_ids(appointment)),
        "wavelengths_nm": sorted(appointment.wavelengths_nm),
    }


def placement_json(placement: Placement) -> Json:
    """Where and when a placement is."""
    return {
        "start": _instant(placement.start),
        "end": _instant(placement.end),
        "clinic": placement.clinic_id,
        "room": placement.room_id,
        "operator": placement.operator_id,
        "laser": placement.laser_id,
        "handpieces": list(placement.handpiece_ids),
        "wavelengths_nm": list(placement.wavelengths_nm),
    }


def score_json(placement: Placement) -> Json:
    """What a placement costs, in parts, and how far it is from what was advised and what was."""
    return {
        "points": placement.points,
        "parts": [{"name": one.name.value, "points": one.points} for one in placement.parts],
        "days_from_advised": placement.days_from_advised,
        "days_from_old": placement.days_from_old,
        "serves": [
            {"need": one.key, "wavelength_nm": one.wavelength_nm} for one in placement.served
        ],
        "left_out": list(placement.left_out),
    }


def placement_of(row: ReplanRow) -> Placement:
    """A stored placement as far as a new run starts from it: when, where, with whom and what."""
    new: Mapping[str, Any] = row.new or {}
    return Placement(
        key=row.appointment_id,
        start=datetime.fromisoformat(new["start"]),
        end=datetime.fromisoformat(new["end"]),
        clinic_id=new["clinic"],
        room_id=new["room"],
        operator_id=new["operator"],
        laser_id=new["laser"],
        handpiece_ids=tuple(new["handpieces"]),
        wavelengths_nm=tuple(new["wavelengths_nm"]),
        served=(),
        left_out=(),
        days_from_advised=0,
        days_from_old=0,
        points=0,
        parts=(),
    )


def visit_of_json(stored: Mapping[str, Any], *, timeline: list[Json]) -> Visit:
    """A stored visit, with the timeline of its appointment."""
    return Visit(
        starts_at=datetime.fromisoformat(stored["start"]),
        timeline=timeline_from_json(timeline),
        place=Place(
            clinic_id=stored["clinic"],
            room_id=stored["room"],
            operator_id=stored["operator"],
            laser_id=stored["laser"],
            handpiece_ids=tuple(sorted(stored["handpieces"])),
        ),
        wavelengths_nm=tuple(stored["wavelengths_nm"]),
    )


def answer_json(answer: ReplanAnswer) -> Json:
    """How good the plan is proven, what it took, and where it comes from."""
    return {
        "status": answer.status.value,
        "points": answer.points,
        "least_points": answer.least_points,
        "gap": round(answer.gap, 6),
        "fewest_unplaced": answer.fewest_unplaced,
        "worst_delay_days": answer.worst_delay_days,
        "statistics": asdict(answer.statistics),
        "basis": [{**asdict(one), "kind": one.kind.value} for one in answer.basis],
    }


def progress_json(progress: Progress) -> Json:
    """Where a run stands."""
    return {**asdict(progress), "step": progress.step.value, "seconds": round(progress.seconds, 2)}


def _instant(instant: datetime) -> str:
    """As the API shows instants."""
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")
