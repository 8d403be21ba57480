"""One sentence and its facts for each condition that can bind a search."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime

from clinics.hours import local_date
from courses.slots.answer import Reason
from courses.slots.candidates import (
    ClinicCandidates,
    LaserCandidate,
    OperatorCandidate,
)
from courses.slots.clinic_frame import fitted_spans, locked_spans
from courses.slots.grid import Grid
from courses.slots.options import device_options
from courses.slots.request import InkNeed, SlotRequest
from courses.slots.wording import listed, long_date, wanted
from courses.slots.zone_frame import Condition

Facts = dict[str, object]
Said = tuple[str, Facts]


@dataclass(frozen=True, slots=True)
class Case:
    """A search that found nothing."""

    request: SlotRequest
    grid: Grid
    clinics: tuple[ClinicCandidates, ...]

    @property
    def ends_on(self) -> date:
        """The local date, at the first clinic, on which the searched time ends."""
        return local_date(self.request.latest_at or self.grid.end, self.clinics[0].zone)

    @property
    def needs(self) -> tuple[InkNeed, ...]:
        """What every slot must serve; where nothing is required, all that is asked for."""
        return tuple(need for need in self.request.needs if need.required) or self.request.needs

    @property
    def ink(self) -> str:
        """The wavelengths asked for, in words."""
        return wanted(self.needs)

    @property
    def before(self) -> str:
        """'before 12 March 2026'."""
        return f"before {long_date(self.ends_on)}"

    def serving(self) -> Iterator[tuple[ClinicCandidates, LaserCandidate, frozenset[int]]]:
        """Lasers that could serve the needs if fitted so, with each set of wavelengths (nm)."""
        for clinic in self.clinics:
            options = device_options(
                self.request.needs,
                lasers=clinic.lasers,
                handpieces=clinic.handpieces,
                grid=self.grid,
                any_fitting=True,
            )
            found = {(option.laser, option.plan.wavelengths_nm): None for option in options}
            for laser, wavelengths_nm in found:
                yield clinic, clinic.lasers[laser], wavelengths_nm


def explanation(condition: Condition, *, case: Case, first_start: datetime | None) -> Reason:
    """Why a condition bound. `first_start`: what would be possible without it, if anything."""
    code, say = _SAYINGS[condition]
    detail, facts = say(case)
    facts["before"] = case.ends_on.isoformat()
    facts["first_start_without"] = None if first_start is None else first_start.isoformat()
    return Reason(code, detail, facts)


def _window(case: Case) -> Said:
    request = case.request
    facts: Facts = {"earliest_at": request.earliest_at.isoformat()}
    if request.window_closes_on is None:
        return f"Nothing may start before {request.earliest_at.isoformat()}.", facts
    facts["window_closes_on"] = request.window_closes_on.isoformat()
    closes = long_date(request.window_closes_on)
    return f"The healing window closes on {closes}; nothing fits after it {case.before}.", facts


def _clinic_open(case: Case) -> Said:
    ids = [clinic.id for clinic in case.clinics]
    closed = [clinic.id for clinic in case.clinics if not any(clinic.open)]
    if len(closed) == len(ids):
        return f"The clinics are closed all the time {case.before}.", {"clinic_ids": ids}
    return "The clinics are closed whenever all else would fit.", {"clinic_ids": ids}


def _wishes(case: Case) -> Said:
    wishes = [
        {
            "weekdays": sorted(wish.weekdays),
            "since": wish.since.isoformat("minutes"),
            "until": wish.until.isoformat("minutes"),
        }
        for wish in case.request.wishes
    ]
    return "No slot lies on the days and times the patient can come.", {"wishes": wishes}


def _patient_free(case: Case) -> Said:
    return "The patient is booked elsewhere whenever all else would fit.", {
        "patient_busy": len(case.request.patient_busy)
    }


def _lock_out(case: Case) -> Said:
    until: dict[int, str | None] = {}
    words = []
    for clinic, laser in dict.fromkeys((clinic, laser) for clinic, laser, _ in case.serving()):
        spans = locked_spans(laser, case.grid)
        if not spans:
            continue
        ends = [lock.end for lock in laser.locked_out]
        latest = None if None in ends else max(end for end in ends if end is not None)
        until[laser.id] = None if latest is None else latest.isoformat()
        released = "it is released"
        if latest is not None:
            released = long_date(local_date(latest, clinic.zone))
        words.append(f"laser {laser.id} until {released}")
    detail = f"No laser with {case.ink} at these clinics {case.before}: locked out are "
    return detail + listed(words) + ".", {"locked_out_until": until}


def _fitting(case: Case) -> Said:
    never: list[dict[str, int]] = []
    sometimes: list[dict[str, int]] = []
    for clinic, laser, wavelengths_nm in case.serving():
        for tip in clinic.handpieces:
            if not tip.wavelengths_nm & wavelengths_nm:
                continue
            fitted = fitted_spans(tip, laser.id, case.grid)
            (sometimes if fitted else never).append({"handpiece_id": tip.id, "laser_id": laser.id})
    detail = (
        f"No handpiece for {case.ink} is fitted to a laser that emits it whenever all else"
        f" would fit {case.before}."
    )
    return detail, {"not_fitted": _once(never), "fitted_at_times": _once(sometimes)}


def _clearance(case: Case) -> Said:
    cleared = [
        room.id
        for clinic, _, wavelengths_nm in case.serving()
        for room in clinic.rooms
        if room.laser_controlled and wavelengths_nm <= room.cleared_wavelengths_nm
    ]
    facts: Facts = {"cleared_room_ids": sorted(set(cleared))}
    if not cleared:
        return f"No controlled room at these clinics is cleared for {case.ink}.", facts
    return f"Only rooms not cleared for {case.ink} would be free {case.before}.", facts


def _credential(case: Case) -> Said:
    ends: dict[int, date] = {}
    for clinic, laser, wavelengths_nm in case.serving():
        for operator in clinic.operators:
            covered = _covered_until(operator, laser.model_id, wavelengths_nm)
            if covered is not None:
                ends[operator.id] = max(ends.get(operator.id, date.min), covered)
    if not ends:
        return f"No operator at these clinics has a credential for {case.ink}.", {"ends_on": {}}
    facts: Facts = {
        "ends_on": {
            key: None if end == date.max else end.isoformat() for key, end in sorted(ends.items())
        }
    }
    last = max(ends.values())
    if last < case.ends_on:
        ended = f"Every operator's credential for {case.ink} ends by {long_date(last)}."
        return ended, facts
    return f"Only operators without a credential for {case.ink} would be free then.", facts


def _covered_until(
    operator: OperatorCandidate, model_id: int, wavelengths_nm: frozenset[int]
) -> date | None:
    """The first date on which some wavelength is no longer covered; None: one never is."""
    ends = []
    for nm in wavelengths_nm:
        covering = [
            credential.valid_until or date.max
            for credential in operator.credentials
            if credential.covers(laser_model_id=model_id, wavelength_nm=nm)
        ]
        if not covering:
            return None
        ends.append(max(covering))
    return min(ends)


def _chosen_operator(case: Case) -> Said:
    chosen = sorted(case.request.operator_ids or ())
    detail = "None of the operators asked for is free and fit at a time that would do."
    return detail, {"operator_ids": chosen}


def _busy(what: str) -> Callable[[Case], Said]:
    def say(case: Case) -> Said:
        return f"{what.format(ink=case.ink)} whenever all else would fit {case.before}.", {}

    return say


_SAYINGS: dict[Condition, tuple[str, Callable[[Case], Said]]] = {
    Condition.WINDOW: ("window_not_closed", _window),
    Condition.CLINIC_OPEN: ("clinic_closed", _clinic_open),
    Condition.WISHES: ("outside_wishes", _wishes),
    Condition.PATIENT_FREE: ("patient_busy", _patient_free),
    Condition.LOCK_OUT: ("laser_locked_out", _lock_out),
    Condition.FITTING: ("handpiece_not_fitted", _fitting),
    Condition.CLEARANCE: ("room_not_cleared", _clearance),
    Condition.CREDENTIAL: ("credential_missing", _credential),
    Condition.CHOSEN_OPERATOR: ("operator_not_available", _chosen_operator),
    Condition.ROOM_FREE: ("rooms_booked", _busy("Every room cleared for {ink} is booked")),
    Condition.OPERATOR_FREE: (
        "operators_booked",
        _busy("Every operator with a credential for {ink} is booked or off shift"),
    ),
    Condition.LASER_FREE: ("lasers_booked", _busy("Every laser with {ink} is booked")),
    Condition.HANDPIECE_FREE: (
        "handpieces_booked",
        _busy("Every handpiece fitted for {ink} is booked"),
    ),
    Condition.CHANGEOVER: (
        "laser_changeover",
        _busy("No laser with {ink} has time to change its handpiece before or after"),
    ),
}


def _once(rows: list[dict[str, int]]) -> list[dict[str, int]]:
    """The rows without repeats, in order."""
    return [dict(row) for row in dict.fromkeys(tuple(sorted(row.items())) for row in rows)]
