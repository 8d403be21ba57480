"""Reads of the organisation that other apps and the API share; a fixed number of queries each."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Exists, OuterRef, Q, QuerySet

from clinics.hours import (
    ClinicCalendar,
    DateOverride,
    DayHours,
    WeeklyRule,
    day_hours,
    local_date,
    local_day_end,
    local_day_start,
    opening_spans,
    zone_named,
)
from clinics.hours.wall_time import ONE_DAY
from clinics.models import (
    Clinic,
    Closure,
    Credential,
    HolidayOverride,
    Membership,
    OpeningRule,
    Reservation,
    Shift,
    StaffMember,
)
from clinics.querysets import ReservationQuerySet
from clinics.vocabulary import CredentialKind, HolidayTreatment, ReservationReason, Role
from core.db import from_range
from core.prepared import Prepared
from core.spans import Span, intersect, subtract

VISITS: Final = (ReservationReason.APPOINTMENT, ReservationReason.HOLD)

OCCUPANCY_DIFFERENCES: Final = """
    WITH touched AS (
        SELECT DISTINCT resource_id, day
        FROM clinics_reservation, occupancy_days(status, period) AS day
        WHERE resource_id = ANY (%(resources)s) AND day >= %(since)s
          AND period && tstzrange(%(since)s::timestamp AT TIME ZONE 'UTC', NULL)
        UNION
        SELECT resource_id, day FROM clinics_occupancy
        WHERE resource_id = ANY (%(resources)s) AND day >= %(since)s
    ), pairs AS (
        SELECT array_agg(resource_id) AS resources, array_agg(day) AS days FROM touched
    ), compared AS (
        SELECT expected.resource_id, expected.day,
               ('x' || encode(expected.bits, 'hex'))::bit(288) AS busy,
               coalesce(('x' || encode(kept.bits, 'hex'))::bit(288), B'0'::bit(288)) AS kept
        FROM pairs, occupancy_expected(pairs.resources, pairs.days) AS expected
        LEFT JOIN clinics_occupancy AS kept USING (resource_id, day)
    )
    SELECT resource_id, day, 5 * bit_count(busy & ~kept), 5 * bit_count(kept & ~busy)
    FROM compared WHERE busy <> kept ORDER BY 1, 2
"""


@dataclass(frozen=True, slots=True)
class OpeningDay:
    """One local date of a clinic: when it is open, and what decided that.

    `spans` are UTC, after closures. `closures` are those that touch the date. `note` is the
    reason written on the clinic's own decision for the date.
    """

    hours: DayHours
    spans: tuple[Span, ...]
    closures: tuple[Closure, ...]
    note: str


WITHIN: Final = Prepared("""
    SELECT id, resource_id,
        date_part('epoch', lower(period)), date_part('epoch', upper(period)),
        status = 'busy-tentative' AND expires_at <= %(now)s::timestamptz
    FROM clinics_reservation_touching(
        %(resources)s::bigint[], %(start)s::timestamptz, %(end)s::timestamptz
    )
""")


@dataclass(frozen=True, slots=True)
class Standing:
    """A reservation as it stands; `expired` is a tentative one whose time is over."""

    id: int
    resource_id: int
    span: Span
    expired: bool


@dataclass(frozen=True, slots=True)
class OccupancyDifference:
    """One resource on one UTC day whose occupancy is not what its reservations say.

    `hidden_minutes` are reserved but shown as free; `free_minutes` are free but shown as busy.
    """

    resource_id: int
    day: date
    hidden_minutes: int
    free_minutes: int


def calendars_for(clinics: Iterable[Clinic], span: Span) -> dict[int, ClinicCalendar]:
    """What decides when each clinic is open during `span`, by clinic id. Three queries."""
    clinics = list(clinics)
    ids = [clinic.pk for clinic in clinics]
    weekly = defaultdict(list)
    for rule in OpeningRule.objects.filter(clinic_id__in=ids):
        weekly[rule.clinic_id].append(_weekly_rule(rule))
    closures = defaultdict(list)
    for clinic_id, period in (
        Closure.objects.filter(clinic_id__in=ids)
        .overlapping(span)
        .values_list("clinic_id", "period")
    ):
        closures[clinic_id].append(from_range(period))
    overrides = defaultdict(list)
    for row in HolidayOverride.objects.filter(
        clinic_id__in=ids,
        date__gte=span.start.date() - ONE_DAY,
        date__lte=span.end.date() + ONE_DAY,
    ):
        overrides[row.clinic_id].append(_date_override(row))
    return {
        clinic.pk: ClinicCalendar(
            zone=zone_named(clinic.time_zone),
            weekly=tuple(weekly[clinic.pk]),
            closures=tuple(closures[clinic.pk]),
            overrides=tuple(overrides[clinic.pk]),
            country=clinic.country,
            subdivision=clinic.subdivision,
        )
        for clinic in clinics
    }


def opening_spans_for(clinics: Iterable[Clinic], span: Span) -> dict[int, list[Span]]:
    """When each clinic is open within `span`: sorted, disjoint UTC spans by clinic id.

    A clinic that is not active is never open. Three queries for any number of clinics.
    """
    clinics = list(clinics)
    calendars = calendars_for([clinic for clinic in clinics if clinic.active], span)
    return {
        clinic.pk: _open_within(calendars[clinic.pk], span) if clinic.active else []
        for clinic in clinics
    }


def opening_days(clinic: Clinic, *, from_date: date, to_date: date) -> list[OpeningDay]:
    """The clinic's local dates from `from_date` up to, not including, `to_date`, with reasons.

    Five queries, whatever the number of days.
    """
    zone = zone_named(clinic.time_zone)
    span = Span(local_day_start(from_date, zone), local_day_end(to_date - ONE_DAY, zone))
    calendar = calendars_for([clinic], span)[clinic.pk]
    closures = list(Closure.objects.filter(clinic=clinic).overlapping(span))
    notes = dict(
        HolidayOverride.objects.filter(
            clinic=clinic, date__gte=from_date, date__lt=to_date
        ).values_list("date", "reason")
    )
    days = (from_date + n * ONE_DAY for n in range((to_date - from_date).days))
    return [
        OpeningDay(
            hours=day_hours(calendar, day),
            spans=tuple(opening_spans(calendar, from_date=day, to_date=day + ONE_DAY)),
            closures=tuple(_touching(day, closures, zone=zone)),
            note=notes.get(day, ""),
        )
        for day in days
    ]


def busy_spans_for(
    resource_ids: Collection[int], span: Span, *, now: datetime
) -> dict[int, list[Span]]:
    """When resources are busy within `span`, as it counts at `now`, by resource id. One query.

    Every id asked for is a key.
    """
    busy: dict[int, list[Span]] = {resource_id: [] for resource_id in resource_ids}
    rows = Reservation.objects.filter(resource_id__in=resource_ids).overlapping(span)
    for resource_id, period in (
        rows.counting_at(now).order_by("period").values_list("resource_id", "period")
    ):
        busy[resource_id].append(from_range(period))
    return busy


def standing_within(resource_ids: Collection[int], span: Span, *, now: datetime) -> list[Standing]:
    """All reservations of these resources that touch the span, expired ones too. One query."""
    rows = WITHIN.rows(resources=list(resource_ids), start=span.start, end=span.end, now=now)
    return [
        Standing(
            pk,
            resource_id,
            Span(datetime.fromtimestamp(start, UTC), datetime.fromtimestamp(end, UTC)),
            bool(expired),
        )
        for pk, resource_id, start, end, expired in rows
    ]


def reservations_in_the_way(
    resource_ids: Collection[int], span: Span, *, now: datetime
) -> QuerySet[Reservation]:
    """Whatever keeps these resources from being free for the whole span, at `now`."""
    rows = Reservation.objects.filter(resource_id__in=resource_ids).overlapping(span)
    return rows.counting_at(now).order_by("period", "id")


def occupancy_differences(
    resource_ids: Collection[int], *, since: date
) -> list[OccupancyDifference]:
    """Where the occupancy of these resources, from a UTC day on, is not as reserved. One query."""
    with connection.cursor() as cursor:
        cursor.execute(OCCUPANCY_DIFFERENCES, {"resources": sorted(resource_ids), "since": since})
        return [OccupancyDifference(*row) for row in cursor.fetchall()]


def visits_ahead(resource_ids: Collection[int], *, now: datetime) -> ReservationQuerySet:
    """Appointments and holds on these resources that are not over at `now`."""
    rows = Reservation.objects.filter(resource_id__in=resource_ids, period__endswith__gt=now)
    return rows.counting_at(now).filter(reason__in=VISITS)


def visits_outside_hours(clinic: Clinic, *, now: datetime) -> set[str]:
    """Sources of visits from `now` on that do not lie within the clinic's opening hours.

    Five queries.
    """
    visits = list(visits_ahead(room_resources_of(clinic), now=now).values_list("source", "period"))
    if not visits:
        return set()
    spans = [(source, from_range(period)) for source, period in visits]
    hull = Span(min(s.start for _, s in spans), max(s.end for _, s in spans))
    open_spans = opening_spans_for([clinic], hull)[clinic.pk]
    return {source for source, span in spans if subtract([span], open_spans)}


def room_resources_of(clinic: Clinic) -> list[int]:
    """The resource ids of a clinic's rooms: whatever happens at the clinic happens in one."""
    return list(clinic.rooms.values_list("resource_id", flat=True))


def chain_managed(chain_id: int, *, now: datetime) -> bool:
    """Whether somebody who can sign in may manage the whole chain, with no end to it in sight."""
    return Membership.objects.filter(
        staff_member__chain_id=chain_id,
        staff_member__active=True,
        staff_member__user__is_active=True,
        role=Role.CHAIN_MANAGER,
        clinic=None,
        valid_during__contains=now,
        valid_during__upper_inf=True,
    ).exists()


def clinics_of_roles(staff_id: int, *, now: datetime) -> set[int | None]:
    """Where a member of staff holds a role, or is to; None: in the whole chain."""
    over = Q(valid_during__upper_inf=False, valid_during__endswith__lte=now)
    held = Membership.objects.filter(staff_member_id=staff_id).exclude(over)
    return set(held.values_list("clinic", flat=True))


def integrates(staff_id: int, *, now: datetime) -> bool:
    """Whether a member of staff is an integrator now, somewhere."""
    return Membership.objects.filter(
        staff_member_id=staff_id, role=Role.INTEGRATOR, valid_during__contains=now
    ).exists()


def clinics_by_id(ids: Iterable[int | None]) -> dict[int, Clinic]:
    """These clinics by id; None stands for no clinic. One query."""
    return Clinic.objects.in_bulk([pk for pk in ids if pk is not None])


def staff_member_get(pk: int) -> StaffMember:
    """A member of staff with chain and sign-in. One query."""
    staff: StaffMember = StaffMember.objects.select_related("chain", "user").get(pk=pk)
    return staff


def credentials_on(
    day: date, *, kind: CredentialKind, staff_ids: Collection[int] | None = None
) -> QuerySet[Credential]:
    """Credentials of that kind that are in date on a local date (of these people)."""
    rows = Credential.objects.filter(kind=kind, valid_during__contains=day)
    return rows if staff_ids is None else rows.filter(staff_member_id__in=staff_ids)


def staff_fit_on(
    day: date, *, chain_id: int, kind: CredentialKind, wavelengths_nm: Iterable[int] = ()
) -> QuerySet[StaffMember]:
    """Active staff whose credentials of that kind, in date on `day`, cover every wavelength.

    A credential without wavelengths covers all. Laser models narrow it further, in devices.
    """
    fit = StaffMember.objects.filter(chain_id=chain_id, active=True)
    own = credentials_on(day, kind=kind).filter(staff_member=OuterRef("pk"))
    fit = fit.filter(Exists(own))
    for wavelength_nm in set(wavelengths_nm):
        covers = Q(wavelengths_nm=[]) | Q(wavelengths_nm__contains=[wavelength_nm])
        fit = fit.filter(Exists(own.filter(covers)))
    return fit


def clinics_of_shifts(staff_member_id: int, span: Span) -> set[int]:
    """Where a member of staff has shifts within the span: clinic ids."""
    shifts = Shift.objects.filter(staff_member_id=staff_member_id).overlapping(span)
    return set(shifts.values_list("clinic_id", flat=True))


def _open_within(calendar: ClinicCalendar, span: Span) -> list[Span]:
    first = local_date(span.start, calendar.zone)
    after = local_date(span.end, calendar.zone) + ONE_DAY
    return intersect(opening_spans(calendar, from_date=first, to_date=after), [span])


def _touching(day: date, closures: Sequence[Closure], *, zone: ZoneInfo) -> list[Closure]:
    start, end = local_day_start(day, zone), local_day_end(day, zone)
    return [c for c in closures if c.period.lower < end and start < c.period.upper]


def _weekly_rule(rule: OpeningRule) -> WeeklyRule:
    return WeeklyRule(
        weekday=rule.weekday,
        opens=rule.opens,
        closes=rule.closes,
        valid_from=rule.valid_during.lower,
        valid_until=rule.valid_during.upper,
    )


def _date_override(row: HolidayOverride) -> DateOverride:
    return DateOverride(
        day=row.date,
        treatment=HolidayTreatment(row.treatment),
        opens=row.opens,
        closes=row.closes,
    )
