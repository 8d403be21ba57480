"""One chosen start spelled out: who, what, the parts of its score, and the reasons."""

from collections.abc import Iterator
from datetime import date, timedelta

from clinics.hours import local_date
from courses.slots.answer import Reason, ScoreName, ScorePart, Slot
from courses.slots.clinic_frame import GAPS_COUNTED
from courses.slots.options import DeviceOption
from courses.slots.ranking import RankedClinic, Weights
from courses.slots.wording import nanometres
from courses.vocabulary import TreatmentRole


def offer(ranked: RankedClinic, column: int, *, advised_on: date, weights: Weights) -> Slot:
    """The slot at a column of a ranked clinic, with its best option, room and operator."""
    frame = ranked.frame
    option = frame.options[ranked.chosen[column]]
    members = {
        TreatmentRole.ROOM: ranked.room_at(option, column),
        TreatmentRole.OPERATOR: ranked.operator_at(option, column),
        TreatmentRole.LASER: option.laser,
    }
    start = frame.grid.instant(int(frame.columns[column]))
    operator = frame.clinic.operators[members[TreatmentRole.OPERATOR]]
    tidy = [float(ranked.tidy[role][members[role], column]) for role in GAPS_COUNTED]
    values = {
        ScoreName.CLOSENESS: float(ranked.closeness[column]),
        ScoreName.FRAGMENTATION: sum(tidy) / len(tidy),
        ScoreName.CONTINUITY: float(operator.id in frame.request.familiar_operator_ids),
        ScoreName.PREFERENCE: frame.clinic.preference,
        ScoreName.INK: option.plan.ink,
    }
    return Slot(
        start=start,
        end=start + timedelta(minutes=frame.request.timeline.minutes),
        clinic_id=frame.clinic.id,
        room_id=frame.clinic.rooms[members[TreatmentRole.ROOM]].id,
        operator_id=operator.id,
        laser_id=frame.clinic.lasers[option.laser].id,
        handpiece_ids=tuple(frame.clinic.handpieces[index].id for index in option.handpieces),
        wavelengths_nm=tuple(sorted(option.plan.wavelengths_nm)),
        served=option.plan.served,
        left_out=option.plan.left_out,
        score=sum(weights.of[name] * value for name, value in values.items()),
        parts=tuple(ScorePart(name, value, weights.of[name]) for name, value in values.items()),
        reasons=tuple(
            _reasons(ranked, option, members, local_date(start, frame.clinic.zone), advised_on)
        ),
    )


def _reasons(
    ranked: RankedClinic,
    option: DeviceOption,
    members: dict[TreatmentRole, int],
    day: date,
    advised_on: date,
) -> Iterator[Reason]:
    request, clinic = ranked.frame.request, ranked.frame.clinic
    room, operator = (
        clinic.rooms[members[TreatmentRole.ROOM]],
        clinic.operators[members[TreatmentRole.OPERATOR]],
    )
    lines = nanometres(option.plan.wavelengths_nm)
    facts = {"wavelengths_nm": sorted(option.plan.wavelengths_nm)}
    if request.window_closes_on is not None:
        closed = request.window_closes_on
        yield Reason(
            "window_closed",
            f"The healing window closes on {closed}, {(day - closed).days} days before.",
            {"window_closes_on": closed.isoformat(), "days_after": (day - closed).days},
        )
    if request.advised_on is not None:
        yield _about_advised(day, advised_on)
    parts = {served.key: served.wavelength_nm for served in option.plan.served}
    yield Reason("emits", f"The laser and its handpieces emit {lines}.", {"serves": parts})
    if option.plan.left_out:
        yield Reason(
            "left_out",
            "Not served in this visit: " + ", ".join(option.plan.left_out) + ".",
            {"keys": list(option.plan.left_out)},
        )
    yield Reason("room_cleared", f"The room is cleared for {lines}.", {"room_id": room.id, **facts})
    yield Reason(
        "credential_valid",
        f"The operator's credentials cover {lines} on this laser on {day}.",
        {"operator_id": operator.id, **facts},
    )
    if operator.id in request.familiar_operator_ids:
        yield Reason(
            "familiar_operator",
            "The operator has treated this patient before.",
            {"operator_id": operator.id},
        )


def _about_advised(day: date, advised_on: date) -> Reason:
    days = (day - advised_on).days
    away = "on the advised day" if not days else f"{abs(days)} days {_side(days)} the advised day"
    return Reason("advised_day", f"It is {away}, {advised_on}.", {"days_from_advised": days})


def _side(days: int) -> str:
    return "after" if days > 0 else "before"
