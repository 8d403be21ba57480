"""Small clinics for slot search, and a plain reading of its conditions to check it against.

Nothing here uses the search's rows or windows: a visit is judged resource by resource with exact
instants, and free time is kept as spans beside the rows.
"""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import product
from zoneinfo import ZoneInfo

from core.spans import Span
from courses.slots import (
    ClinicCandidates,
    FittedTo,
    Grid,
    HandpieceCandidate,
    InkNeed,
    LaserCandidate,
    OperatorCandidate,
    OperatorCredential,
    RoomCandidate,
    SearchPolicy,
    SlotRequest,
    Timeline,
    role_spans,
)
from courses.vocabulary import TreatmentRole

MONDAY = datetime(2026, 6, 1, tzinfo=UTC)
LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)
UTC_ZONE = ZoneInfo("UTC")
ANY_LASER = OperatorCredential(date(2020, 1, 1))
ON_LASER_1 = FittedTo(1, LONG_AGO)


CELL = timedelta(minutes=5)


@dataclass
class Busy:
    """Someone or something with its free spans and the row that stands for them."""

    free: list
    busy: list = field(default_factory=list)

    def row(self, grid):
        return grid.row(self.free, busy=self.busy)

    def covers(self, spans):
        return all(
            any(free.contains(span) for free in self.free)
            and not any(busy.overlaps(span) for busy in self.busy)
            for span in spans
        )


@dataclass
class Case:
    """A clinic in plain spans beside its candidates, keyed by (kind, id)."""

    grid: Grid
    clinic: ClinicCandidates
    time_of: dict
    open: Busy


def grid_of(days, start=MONDAY):
    return Grid(start, days * 288)


def all_time(grid):
    return [Span(grid.start, grid.end)]


def simple_case(
    *,
    days=7,
    grid=None,
    open_hours=(9, 17),
    rooms=((1, True, {532, 755, 1064}),),
    operators=((1, (ANY_LASER,)),),
    lasers=((1, {532, 755, 1064}, None),),
    tips=((1, {532, 755, 1064}, (ON_LASER_1,)),),
    busy=None,
    locked=None,
    clinic_id=1,
    zone=UTC_ZONE,
    preference=1.0,
):
    """A clinic open some hours a day (of the grid's clock); everyone free unless in `busy`."""
    grid = grid or grid_of(days)
    busy, locked = busy or {}, locked or {}
    first, last = open_hours
    opened = Busy(
        [
            Span(
                grid.start + timedelta(days=n, hours=first),
                grid.start + timedelta(days=n, hours=last),
            )
            for n in range(days)
        ]
    )
    time_of = {
        key: Busy(all_time(grid), list(busy.get(key, ())))
        for key in [
            *(("room", room[0]) for room in rooms),
            *(("operator", operator[0]) for operator in operators),
            *(("laser", laser[0]) for laser in lasers),
            *(("handpiece", tip[0]) for tip in tips),
        ]
    }
    clinic = ClinicCandidates(
        id=clinic_id,
        zone=zone,
        open=opened.row(grid),
        rooms=tuple(
            RoomCandidate(key, time_of["room", key].row(grid), controlled, frozenset(cleared))
            for key, controlled, cleared in rooms
        ),
        operators=tuple(
            OperatorCandidate(key, time_of["operator", key].row(grid), tuple(credentials))
            for key, credentials in operators
        ),
        lasers=tuple(
            LaserCandidate(
                key,
                time_of["laser", key].row(grid),
                model_id=key,
                wavelengths_nm=frozenset(lines),
                room_id=room,
                locked_out=tuple(locked.get(key, ())),
            )
            for key, lines, room in lasers
        ),
        handpieces=tuple(
            HandpieceCandidate(key, time_of["handpiece", key].row(grid), frozenset(lines), fitted)
            for key, lines, fitted in tips
        ),
        preference=preference,
    )
    return Case(grid, clinic, time_of, opened)


def request_for(minutes=60, needs=(("black", (1064,)),), **given):
    """A whole-visit request for required needs; further fields of SlotRequest by name."""
    given.setdefault("timeline", Timeline.whole_visit(minutes))
    given.setdefault("earliest_at", MONDAY)
    return SlotRequest(needs=tuple(InkNeed(key, lines) for key, lines in needs), **given)


def is_feasible(
    case, request, *, start, room, operator, laser, tips, wavelengths, step=5, changeover=0
):
    """Whether a visit breaks no condition, judged with exact instants and the local clock."""
    spans = role_spans(request.timeline, start=start)
    whole = Span(start, start + timedelta(minutes=request.timeline.minutes))
    zone = case.clinic.zone
    return (
        case.grid.start <= whole.start
        and whole.end <= case.grid.end
        and start.astimezone(zone).minute % step == 0
        and start >= request.earliest_at
        and (request.latest_at is None or whole.end <= request.latest_at)
        and (
            request.window_closes_on is None
            or start.astimezone(zone).date() >= request.window_closes_on
        )
        and case.open.covers([whole])
        and _patient_can(request, spans[TreatmentRole.PATIENT], zone)
        and _devices_fit(case, laser, tips, wavelengths, spans)
        and _changed_over(case, laser, tips, spans[TreatmentRole.LASER], changeover)
        and room.laser_controlled
        and wavelengths <= room.cleared_wavelengths_nm
        and laser.room_id in (None, room.id)
        and (request.operator_ids is None or operator.id in request.operator_ids)
        and _may_operate(operator, laser, wavelengths, spans[TreatmentRole.OPERATOR], zone)
        and case.time_of["room", room.id].covers(spans[TreatmentRole.ROOM])
        and case.time_of["operator", operator.id].covers(spans[TreatmentRole.OPERATOR])
        and case.time_of["laser", laser.id].covers(spans[TreatmentRole.LASER])
        and all(
            case.time_of["handpiece", tip.id].covers(spans[TreatmentRole.HANDPIECE]) for tip in tips
        )
    )


def meets_needs(request, wavelengths):
    """Whether wavelengths serve every required need, at least one need, and none idles."""
    best = [
        next((nm for nm in need.wavelengths_nm if nm in wavelengths), None)
        for need in request.needs
    ]
    required = all(
        nm is not None for nm, need in zip(best, request.needs, strict=True) if need.required
    )
    return required and bool(wavelengths) and {nm for nm in best if nm} == set(wavelengths)


def choices(case, request):
    """Every room, operator, laser, set of handpieces and wavelengths that may go together."""
    clinic = case.clinic
    for laser in clinic.lasers:
        for tips in _subsets(clinic.handpieces):
            passed = {nm for tip in tips for nm in tip.wavelengths_nm} & laser.wavelengths_nm
            for wavelengths in map(frozenset, _subsets(sorted(passed))):
                if not meets_needs(request, wavelengths) or _has_spare(tips, wavelengths):
                    continue
                for room, operator in product(clinic.rooms, clinic.operators):
                    yield {
                        "room": room,
                        "operator": operator,
                        "laser": laser,
                        "tips": tips,
                        "wavelengths": wavelengths,
                    }


def plain_score(case, request, choice, *, start, advised_on, policy: SearchPolicy):
    """The score of one visit, spelled out with scalars."""
    zone = case.clinic.zone
    away = abs((start.astimezone(zone).date() - advised_on).days)
    spans = role_spans(request.timeline, start=start)
    gaps = [
        _fit(case, ("room", choice["room"].id), spans[TreatmentRole.ROOM], policy, ()),
        _fit(case, ("operator", choice["operator"].id), spans[TreatmentRole.OPERATOR], policy, ()),
        _fit(
            case,
            ("laser", choice["laser"].id),
            spans[TreatmentRole.LASER],
            policy,
            choice["laser"].locked_out,
        ),
    ]
    served = total = 0.0
    for need in request.needs:
        total += need.share
        for rank, nm in enumerate(need.wavelengths_nm):
            if nm in choice["wavelengths"]:
                served += need.share * 0.8**rank
                break
    weighted = {
        "closeness": 0.5 ** (away / policy.closeness_half_life_days),
        "fragmentation": sum(gaps) / 3,
        "continuity": float(choice["operator"].id in request.familiar_operator_ids),
        "preference": case.clinic.preference,
        "ink": served / total if total else 1.0,
    }
    weights = {name: getattr(policy, name) for name in weighted}
    return sum(weights[name] * value for name, value in weighted.items()) / sum(weights.values())


def _fit(case, key, spans, policy, locks):
    """The mean over both sides of each part; a side that touches the next part has none."""
    sides = [
        (-1, _mark(span.start), _mark(before.end, up=True) if before else None)
        for before, span in zip([None, *spans], spans, strict=False)
    ]
    sides += [
        (1, _mark(span.end, up=True), _mark(after.start) if after else None)
        for span, after in zip(spans, [*spans[1:], None], strict=True)
    ]
    values = [
        _side(case, key, step, edge, until, policy.useful_gap_minutes, locks)
        for step, edge, until in sides
        if until is None or (until - edge) * step > timedelta(0)
    ]
    return sum(values) / len(values)


def _side(case, key, step, edge, until, useful, locks):
    gap, at = 0, edge + min(step, 0) * CELL
    while gap < useful and _cell_free(case, case.time_of[key], at, locks):
        if until is not None and not (until <= at if step < 0 else at < until):
            break
        gap += 5
        at += step * CELL
    return 1.0 if gap == 0 else 0.5 if gap >= useful else 0.0


def _cell_free(case, time_of, at, locks):
    if not case.grid.start <= at < case.grid.end:
        return True
    cell = Span(at, at + timedelta(minutes=5))
    locked = any(
        lock.start < cell.end and (lock.end is None or lock.end > cell.start) for lock in locks
    )
    return not locked and time_of.covers([cell]) and case.open.covers([cell])


def _patient_can(request, spans, zone):
    if any(busy.overlaps(span) for busy in request.patient_busy for span in spans):
        return False
    if not request.wishes:
        return True
    return all(_wished(request, minute, zone) for span in spans for minute in _minutes(span))


def _wished(request, instant, zone):
    local = instant.astimezone(zone)
    return any(
        local.isoweekday() in wish.weekdays
        and wish.since <= local.time()
        and (wish.until == time(0) or local.time() < wish.until)
        for wish in request.wishes
    )


def _minutes(span):
    return (span.start + timedelta(minutes=n) for n in range(int(span.duration.seconds / 60)))


def _devices_fit(case, laser, tips, wavelengths, spans):
    if not wavelengths <= laser.wavelengths_nm:
        return False
    if not wavelengths <= frozenset().union(*(tip.wavelengths_nm for tip in tips)):
        return False
    # From the beginning of the visit: nobody is prepared for a laser that may not fire.
    begins = min(span.start for role in spans.values() for span in role)
    used = Span(begins, spans[TreatmentRole.LASER][-1].end)
    locked = any(
        lock.start < used.end and (lock.end is None or used.start < lock.end)
        for lock in laser.locked_out
    )
    fitted = all(
        any(
            fitting.laser_id == laser.id
            and fitting.start <= span.start
            and (fitting.end is None or span.end <= fitting.end)
            for fitting in tip.fitted
        )
        for tip in tips
        for span in spans[TreatmentRole.HANDPIECE]
    )
    return fitted and not locked


def _changed_over(case, laser, tips, spans, minutes):
    """Every 5 minutes around a use of the laser: not in use, or with one of these handpieces."""

    def busy(key, at):
        return not case.time_of[key].covers([Span(at, at + CELL)])

    around = {
        at
        for span in spans
        for away in (timedelta(minutes=n) for n in range(5, minutes + 5, 5))
        for at in (_mark(span.start) - away, _mark(span.end, up=True) + away - CELL)
        if case.grid.start <= at < case.grid.end
    }
    return not any(
        busy(("laser", laser.id), at) and not any(busy(("handpiece", tip.id), at) for tip in tips)
        for at in around
    )


def _mark(instant, *, up=False):
    """The 5-minute mark at or before an instant, or at or after it."""
    past = timedelta(seconds=instant.timestamp() % 300)
    return instant + (CELL - past if up and past else -past)


def _may_operate(operator, laser, wavelengths, spans, zone):
    days = {
        instant.astimezone(zone).date()
        for span in spans
        for instant in (span.start, span.end - timedelta(seconds=1))
    }
    return all(
        any(
            (not held.laser_model_ids or laser.model_id in held.laser_model_ids)
            and (not held.wavelengths_nm or nm in held.wavelengths_nm)
            and held.valid_from <= day
            and (held.valid_until is None or day < held.valid_until)
            for held in operator.credentials
        )
        for day in days
        for nm in wavelengths
    )


def _has_spare(tips, wavelengths):
    return any(
        wavelengths <= frozenset().union(*(other.wavelengths_nm for other in tips if other != tip))
        for tip in tips
    )


def _subsets(items):
    for bits in range(1, 2 ** len(items)):
        yield tuple(item for index, item in enumerate(items) if bits >> index & 1)
