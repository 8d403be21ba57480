"""How service plans stand, when they will fall due, and which days suit a visit."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, NamedTuple

from django.db.models import BigIntegerField, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from clinics.hours import local_date, zone_named
from clinics.models import Reservation
from clinics.selectors import VISITS, opening_days
from core.db import from_range
from core.prepared import Prepared
from core.spans import Span
from devices.forecast import (
    DayChoice,
    Demand,
    DueDates,
    Recent,
    Taken,
    calendar_due,
    choose_days,
    demand_ahead,
    due_dates,
)
from devices.models import Laser, PulseEntry, ServicePlan
from devices.policy import DevicePolicy
from devices.vocabulary import ServiceState

HORIZON_DAYS: Final = 730
ONE_DAY: Final = timedelta(days=1)

# Whatever names an owner in the ledger is taken for one session; the rest was fired by hand.
PULSES_AND_DIARY: Final = Prepared("""
    SELECT laser.id, (
        SELECT (min(fired_at) AT TIME ZONE clinic.time_zone)::date
        FROM devices_pulseentry WHERE laser_id = laser.id
    ), (
        SELECT json_agg(json_build_array(day, owned, pulses)) FROM (
            SELECT (min(fired_at) AT TIME ZONE clinic.time_zone)::date AS day, true AS owned,
                sum(pulses) AS pulses
            FROM devices_pulseentry
            WHERE laser_id = laser.id AND source <> ''
            AND fired_at >= %(since)s::timestamptz AND fired_at < %(now)s::timestamptz
            GROUP BY source HAVING sum(pulses) > 0
            UNION ALL
            SELECT (fired_at AT TIME ZONE clinic.time_zone)::date, false, sum(pulses)
            FROM devices_pulseentry
            WHERE laser_id = laser.id AND source = ''
            AND fired_at >= %(since)s::timestamptz AND fired_at < %(now)s::timestamptz
            GROUP BY 1
        ) AS fired
    ), (
        SELECT json_agg(json_build_array(day, visits)) FROM (
            SELECT (lower(period) AT TIME ZONE clinic.time_zone)::date AS day,
                count(DISTINCT source) AS visits
            FROM clinics_reservation
            WHERE resource_id = laser.resource_id AND reason IN ('appointment', 'hold')
            AND lower(period) >= %(now)s::timestamptz AND lower(period) < %(until)s::timestamptz
            AND NOT (status = 'busy-tentative' AND expires_at <= %(now)s::timestamptz)
            GROUP BY 1
        ) AS booked
    )
    FROM devices_laser AS laser JOIN clinics_clinic AS clinic ON clinic.id = laser.clinic_id
    WHERE laser.id = ANY (%(lasers)s::bigint[])
""")


@dataclass(frozen=True, slots=True)
class PlanStanding:
    """How a plan stands on a local date; pulses since it was last done, dates when due.

    `due` says by which dates it is due, `latest` by which dates its tolerance is used up too: from
    then on it is overdue, and locks out unless it is put off.
    """

    plan: ServicePlan
    today: date
    pulses_since: int
    due_on: date | None
    latest_on: date | None
    due: DueDates
    latest: DueDates
    state: ServiceState
    deferred: bool
    recent: Recent
    booked: int

    @property
    def pulses_left(self) -> int | None:
        """Pulses until it is due, below 0 beyond; None when it does not go by pulses."""
        every = self.plan.every_pulses
        return None if every is None else every - self.pulses_since

    @property
    def locks_out(self) -> bool:
        """Whether its lateness keeps the laser from firing, where the policy says so."""
        return self.state is ServiceState.OVERDUE and not self.deferred


class _Ahead(NamedTuple):
    demand: Demand
    recent: Recent
    booked: int


def plans_counted(rows: "QuerySet[ServicePlan]") -> "QuerySet[Any]":
    """Plans with `logged`: the pulses in the ledger since each was last done."""
    fired = (
        PulseEntry.objects.filter(laser=OuterRef("laser"), fired_at__gte=OuterRef("last_done_at"))
        .order_by()
        .values("laser")
        .annotate(sum=Sum("pulses"))
        .values("sum")
    )
    return rows.annotate(logged=Coalesce(Subquery(fired, output_field=BigIntegerField()), 0))


def plan_standings(
    plans: Iterable[Any], *, policy: DevicePolicy, now: datetime
) -> list[PlanStanding]:
    """How these plans (with `logged`, laser and clinic) stand. One query for any number."""
    plans = list(plans)
    lasers = {plan.laser_id: plan.laser for plan in plans}
    ahead = _ahead(lasers, policy=policy, now=now)
    return [_standing(plan, ahead=ahead[plan.laser_id], policy=policy, now=now) for plan in plans]


def overdue_plans(laser: Laser, *, now: datetime) -> list[ServicePlan]:
    """The plans in force of a laser that are overdue and not put off. One query."""
    rows = ServicePlan.objects.filter(laser=laser, active=True).select_related("laser__clinic")
    return [plan for plan in plans_counted(rows) if is_overdue(plan, now=now)]


def is_overdue(plan: Any, *, now: datetime) -> bool:
    """Whether a plan (with `logged`) is past its tolerance and not put off."""
    today = _today(plan.laser, now=now)
    late = _state(plan, today=today) is ServiceState.OVERDUE
    return late and not _deferred(plan, now=now)


def visit_days(
    laser: Laser, *, length: timedelta, since: date, until: date, before: date | None, now: datetime
) -> list[DayChoice]:
    """The best place of each open day for a visit, best day first; see `choose_days`. 6 queries.

    None when `until` (excluded) is not after `since`.
    """
    if until <= since:
        return []
    days = opening_days(laser.clinic, from_date=since, to_date=until)
    opening = {day.hours.day: list(_from(day.spans, now=now)) for day in days if day.spans}
    spans = [span for found in opening.values() for span in found]
    if not spans:
        return []
    hull = Span(min(span.start for span in spans), max(span.end for span in spans))
    rows = Reservation.objects.filter(resource=laser.resource_id).overlapping(hull)
    taken = [
        Taken(row.source, from_range(row.period), fixed=row.reason not in VISITS)
        for row in rows.counting_at(now)
    ]
    return choose_days(opening, taken=taken, length=length, since=since, before=before)


def _from(spans: Iterable[Span], *, now: datetime) -> Iterable[Span]:
    """What of the spans is ahead."""
    return (Span(max(span.start, now), span.end) for span in spans if span.end > now)


def _ahead(
    lasers: Mapping[int, Laser], *, policy: DevicePolicy, now: datetime
) -> dict[int, _Ahead]:
    rows = PULSES_AND_DIARY.rows(
        lasers=sorted(lasers),
        since=now - policy.recent_days * ONE_DAY,
        now=now,
        until=now + HORIZON_DAYS * ONE_DAY,
    )
    found = {}
    for laser_id, first, fired, booked in rows:
        today = _today(lasers[laser_id], now=now)
        recent = _recent(fired or (), first=first, today=today, days=policy.recent_days)
        visits = {date.fromisoformat(day): count for day, count in booked or ()}
        demand = demand_ahead(today=today, days=HORIZON_DAYS, booked=visits, recent=recent)
        found[laser_id] = _Ahead(demand, recent, sum(visits.values()))
    return found


def _recent(
    fired: Sequence[Sequence[Any]], *, first: date | None, today: date, days: int
) -> Recent:
    """The record of the days before today, from the laser's first entry on where that is later."""
    held = days if first is None else max(1, min(days, (today - first).days))
    sessions = [(date.fromisoformat(day), int(count)) for day, owned, count in fired if owned]
    return Recent(
        until=today,
        days=held,
        sessions_on=Counter(day.isoweekday() for day, _ in sessions if day < today),
        pulses=tuple(count for _, count in sessions),
        other_pulses=max(0, sum(int(count) for _, owned, count in fired if not owned)),
    )


def _standing(plan: Any, *, ahead: _Ahead, policy: DevicePolicy, now: datetime) -> PlanStanding:
    today = ahead.demand.today
    left = None if plan.every_pulses is None else plan.every_pulses - _since(plan)
    due_on, latest_on = _dates(plan)
    due = due_dates(left, demand=ahead.demand).first(due_on)
    beyond = None if left is None else left + plan.tolerance_pulses + 1
    state = _state(plan, today=today)
    soon = due.p10 is not None and due.p10 <= today + policy.service_warn_days * ONE_DAY
    return PlanStanding(
        plan=plan,
        today=today,
        pulses_since=_since(plan),
        due_on=due_on,
        latest_on=latest_on,
        due=due,
        latest=due_dates(beyond, demand=ahead.demand).first(latest_on),
        state=ServiceState.NEAR if state is ServiceState.FAR and soon else state,
        deferred=_deferred(plan, now=now),
        recent=ahead.recent,
        booked=ahead.booked,
    )


def _state(plan: Any, *, today: date) -> ServiceState:
    """Far, due or overdue, as the ledger and the calendar have it."""
    since, every = _since(plan), plan.every_pulses
    due_on, latest_on = _dates(plan)
    by_pulses = every is not None and since > every + plan.tolerance_pulses
    if by_pulses or (latest_on is not None and today >= latest_on):
        return ServiceState.OVERDUE
    if (every is not None and since >= every) or (due_on is not None and today >= due_on):
        return ServiceState.DUE
    return ServiceState.FAR


def _dates(plan: Any) -> tuple[date | None, date | None]:
    """By the calendar: the date on which it is due, and the first on which it is overdue."""
    zone = zone_named(plan.laser.clinic.time_zone)
    due_on = calendar_due(local_date(plan.last_done_at, zone), months=plan.every_months)
    return due_on, None if due_on is None else due_on + (plan.tolerance_days + 1) * ONE_DAY


def _since(plan: Any) -> int:
    return int(plan.pulses_before + plan.logged)


def _deferred(plan: Any, *, now: datetime) -> bool:
    return plan.deferred_until is not None and now < plan.deferred_until


def _today(laser: Laser, *, now: datetime) -> date:
    return local_date(now.astimezone(UTC), zone_named(laser.clinic.time_zone))
