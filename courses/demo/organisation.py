"""The chain, its clinics, their hours, rooms and people, as rows not yet written."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.backends.postgresql.psycopg_any import DateRange, DateTimeTZRange

from clinics.hours import (
    ClinicCalendar,
    DateOverride,
    WeeklyRule,
    holiday_name,
    instant_at,
    local_date,
    opening_spans,
    weekly_spans,
    zone_named,
)
from clinics.models import (
    Absence,
    Chain,
    Clinic,
    Closure,
    Credential,
    HolidayOverride,
    Membership,
    OpeningRule,
    Resource,
    Room,
    Shift,
    StaffMember,
)
from clinics.vocabulary import (
    AbsenceReason,
    CredentialKind,
    HolidayTreatment,
    ResourceKind,
    Role,
)
from core.db import as_range
from core.spans import Span
from courses.demo.moment import Moment
from courses.demo.plan_of_clinics import (
    CHAIN_NAME,
    CLINICS,
    PEOPLE,
    ClinicSketch,
    PersonSketch,
    Week,
)

ONE_DAY = timedelta(days=1)
SHORT_DAY = (time(10), time(14))


@dataclass(slots=True)
class Site:
    """One clinic and when it is open; `open` are UTC spans over the whole demonstration."""

    sketch: ClinicSketch
    clinic: Clinic
    zone: ZoneInfo
    rooms: list[Room]
    rules: list[OpeningRule]
    closures: list[Closure]
    overrides: list[HolidayOverride]
    open: list[Span]


@dataclass(slots=True)
class Person:
    """One member of staff; `site` is where they work, None for the whole chain."""

    sketch: PersonSketch
    member: StaffMember
    site: Site | None
    memberships: list[Membership]
    credentials: list[Credential]
    shifts: list[Shift]
    leave: list[Span] = field(default_factory=list)

    def holds(self, role: Role) -> bool:
        """Whether the person has the role somewhere."""
        return role in self.sketch.roles


@dataclass(slots=True)
class Organisation:
    """The invented chain; `absences` are rows whose reservations are yet to be made."""

    chain: Chain
    sites: list[Site]
    people: list[Person]
    absences: list[Absence] = field(default_factory=list)

    def at(self, site: Site, role: Role) -> list[Person]:
        """Who holds a role at a clinic."""
        return [one for one in self.people if one.site is site and one.holds(role)]

    def clinician_at(self, site: Site) -> Person:
        """Who decides about windows and grades at a clinic."""
        return self.at(site, Role.TREATING_CLINICIAN)[0]

    def desk_at(self, site: Site) -> Person:
        """Who books at a clinic."""
        return self.at(site, Role.FRONT_DESK)[0]

    def first(self, role: Role) -> Person:
        """Somebody who holds a role."""
        return next(one for one in self.people if one.holds(role))


def make_organisation(moment: Moment) -> Organisation:
    """The chain with clinics and people over the days of the demonstration."""
    chain = Chain(name=CHAIN_NAME, search_policy={"preference": 2.5})
    sites = [_site(sketch, chain=chain, moment=moment) for sketch in CLINICS]
    of_key = {site.sketch.key: site for site in sites}
    people = [
        _person(sketch, chain=chain, site=of_key.get(sketch.clinic or ""), moment=moment)
        for sketch in PEOPLE
    ]
    organisation = Organisation(chain, sites, people)
    _give_leave(organisation, moment)
    return organisation


def _site(sketch: ClinicSketch, *, chain: Chain, moment: Moment) -> Site:
    clinic = Clinic(
        chain=chain,
        name=sketch.name,
        time_zone=sketch.time_zone,
        country=sketch.country,
        subdivision=sketch.subdivision,
        phone=sketch.phone,
    )
    zone = zone_named(sketch.time_zone)
    rules = list(_rules(clinic, sketch.week, moment=moment))
    closures = list(_closures(clinic, zone=zone, moment=moment))
    overrides = list(_overrides(clinic, sketch, moment=moment))
    calendar = ClinicCalendar(
        zone=zone,
        weekly=tuple(
            WeeklyRule(
                rule.weekday,
                rule.opens,
                rule.closes,
                rule.valid_during.lower,
                rule.valid_during.upper,
            )
            for rule in rules
        ),
        closures=tuple(Span(row.period.lower, row.period.upper) for row in closures),
        overrides=tuple(
            DateOverride(row.date, HolidayTreatment(row.treatment), row.opens, row.closes)
            for row in overrides
        ),
        country=sketch.country,
        subdivision=sketch.subdivision,
    )
    return Site(
        sketch=sketch,
        clinic=clinic,
        zone=zone,
        rooms=list(_rooms(clinic, sketch, chain=chain)),
        rules=rules,
        closures=closures,
        overrides=overrides,
        open=opening_spans(calendar, from_date=moment.opened_on, to_date=moment.last_day),
    )


def _rules(clinic: Clinic, week: Week, *, moment: Moment) -> Iterator[OpeningRule]:
    """The week's hours; Saturdays are a later addition."""
    for weekday, hours in week.items():
        since = moment.days_ago(300) if weekday == 6 else moment.opened_on
        for opens, closes in hours:
            yield OpeningRule(
                clinic=clinic,
                weekday=weekday,
                opens=opens,
                closes=closes,
                valid_during=DateRange(since, None),
            )


def _rooms(clinic: Clinic, sketch: ClinicSketch, *, chain: Chain) -> Iterator[Room]:
    for room in sketch.rooms:
        yield Room(
            clinic=clinic,
            resource=Resource(chain=chain, clinic=clinic, kind=ResourceKind.ROOM),
            name=room.name,
            laser_controlled=bool(room.cleared_nm),
            cleared_wavelengths_nm=list(room.cleared_nm),
        )


def _closures(clinic: Clinic, *, zone: ZoneInfo, moment: Moment) -> Iterator[Closure]:
    ahead = _weekday_from(moment.today + timedelta(days=24), 3)
    past = _weekday_from(moment.days_ago(140), 4)
    for day, since, until, reason in (
        (past, time(9), time(20), "New floor in the treatment rooms"),
        (ahead, time(14), time(20), "Team afternoon: laser safety refresher"),
    ):
        span = Span(instant_at(day, since, zone=zone), instant_at(day, until, zone=zone))
        yield Closure(clinic=clinic, period=as_range(span), reason=reason)


def _overrides(
    clinic: Clinic, sketch: ClinicSketch, *, moment: Moment
) -> Iterator[HolidayOverride]:
    """The next public holiday on a day of work is a short day at this clinic."""
    for offset in range(7, (moment.last_day - moment.today).days):
        day = moment.today + offset * ONE_DAY
        holiday = holiday_name(day, country=sketch.country, subdivision=sketch.subdivision)
        if holiday is not None and day.isoweekday() <= 5:
            yield HolidayOverride(
                clinic=clinic,
                date=day,
                treatment=HolidayTreatment.OPEN,
                opens=SHORT_DAY[0],
                closes=SHORT_DAY[1],
                reason="Short day in spite of the holiday",
            )
            return


def _person(sketch: PersonSketch, *, chain: Chain, site: Site | None, moment: Moment) -> Person:
    member = StaffMember(
        chain=chain,
        resource=Resource(chain=chain, kind=ResourceKind.STAFF),
        name=sketch.name,
    )
    since = datetime.combine(moment.opened_on, time(0), tzinfo=moment.now.tzinfo)
    return Person(
        sketch=sketch,
        member=member,
        site=site,
        memberships=[
            Membership(
                staff_member=member,
                clinic=site.clinic if site else None,
                role=role,
                valid_during=DateTimeTZRange(since, None),
            )
            for role in sketch.roles
        ],
        credentials=list(_credentials(member, sketch, moment=moment)),
        shifts=list(_shifts(member, sketch, site=site, moment=moment)),
    )


def _credentials(
    member: StaffMember, sketch: PersonSketch, *, moment: Moment
) -> Iterator[Credential]:
    until = None
    if sketch.credential_days is not None:
        until = moment.today + timedelta(days=sketch.credential_days)
    kinds = {
        Role.LASER_OPERATOR: CredentialKind.LASER_OPERATION,
        Role.TREATING_CLINICIAN: CredentialKind.CLINICAL_ASSESSMENT,
        Role.LASER_SAFETY_OFFICER: CredentialKind.LASER_SAFETY_OFFICER,
    }
    for role in sketch.roles:
        if role in kinds:
            laser = kinds[role] == CredentialKind.LASER_OPERATION
            yield Credential(
                staff_member=member,
                kind=kinds[role],
                wavelengths_nm=list(sketch.wavelengths_nm) if laser else [],
                valid_during=DateRange(moment.opened_on, until or _in_years(moment.today, 2)),
                reference=f"INVENTED-{kinds[role][:5].upper()}-{len(sketch.name):03d}",
            )


def _shifts(
    member: StaffMember, sketch: PersonSketch, *, site: Site | None, moment: Moment
) -> Iterator[Shift]:
    """The usual week, wherever the clinic is open in it."""
    if site is None or sketch.week is None:
        return
    week = [
        WeeklyRule(weekday, start, end)
        for weekday, hours in sketch.week.items()
        for start, end in hours
    ]
    open_on = {local_date(span.start, site.zone) for span in site.open}
    usual = weekly_spans(week, zone=site.zone, from_date=moment.opened_on, to_date=moment.last_day)
    for span in usual:
        if local_date(span.start, site.zone) in open_on:
            yield Shift(staff_member=member, clinic=site.clinic, period=as_range(span))


def _give_leave(organisation: Organisation, moment: Moment) -> None:
    """A week off for some who operate: some behind us, some ahead."""
    chance = moment.chance("leave")
    manager = organisation.first(Role.CHAIN_MANAGER)
    for person in organisation.people:
        if person.site is None or not person.holds(Role.LASER_OPERATOR):
            continue
        weeks = [-chance.randint(6, 45), *([chance.randint(3, 8)] if chance.random() < 0.5 else [])]
        for week in weeks:
            monday = _weekday_from(moment.today + timedelta(weeks=week), 1)
            zone = person.site.zone
            span = Span(
                instant_at(monday, time(0), zone=zone),
                instant_at(monday + 7 * ONE_DAY, time(0), zone=zone),
            )
            person.leave.append(span)
            organisation.absences.append(
                Absence(
                    resource=person.member.resource,
                    period=as_range(span),
                    reason=AbsenceReason.LEAVE,
                    note="Holiday",
                    entered_by=manager.member,
                )
            )


def _weekday_from(day: date, weekday: int) -> date:
    return day + ((weekday - day.isoweekday()) % 7) * ONE_DAY


def _in_years(day: date, years: int) -> date:
    return date(day.year + years, day.month, 1)
