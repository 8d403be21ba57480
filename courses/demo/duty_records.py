"""What was done for laser safety: start-up checks, periodic duties, officers, an incident.

Invented.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, Final

from django.db.backends.postgresql.psycopg_any import DateRange

from clinics.hours import local_date
from clinics.models import Clinic, Room, StaffMember
from clinics.vocabulary import Role
from core.db import step
from courses.demo.inserting import insert
from courses.demo.moment import Moment
from courses.demo.organisation import Organisation, Site
from courses.demo.scenario import Scenario
from courses.demo.upkeep import MARK
from devices.models import (
    DutyRecord,
    Incident,
    IncidentClock,
    IncidentNote,
    Laser,
    OfficerAppointment,
    StartUpCheck,
)
from devices.safety.duty_rules import DEFAULTS, StartUpItem, clock_due
from devices.safety.vocabulary import IncidentKind, StartUpScope
from devices.vocabulary import ClockStatus, IncidentActuality, IncidentStatus

CHECKED_DAYS: Final = 5
DONE_DAYS_AGO: Final = 90
OVERDUE: Final = "local_rules"
OVERDUE_DAYS_AGO: Final = 380
INCIDENT_DAYS_AGO: Final = 60
BEFORE_OPENING: Final = timedelta(minutes=25)
AGAIN_AFTER: Final = timedelta(minutes=12)


@step
def write_duties(scenario: Scenario) -> None:
    """All of it. At the last clinic one periodic duty is overdue; one check failed, then passed."""
    organisation, moment = scenario.organisation, scenario.moment
    officer = organisation.first(Role.LASER_SAFETY_OFFICER).member
    manager = organisation.first(Role.CHAIN_MANAGER).member
    checks = [one for site in organisation.sites for one in _checks(site, scenario)]
    insert(sorted(checks, key=lambda one: one.checked_at))
    insert(
        OfficerAppointment(
            clinic=site.clinic,
            staff_member=officer,
            valid_during=DateRange(moment.opened_on, None),
            appointed_by=manager,
            note=MARK,
        )
        for site in organisation.sites
    )
    insert(_records(organisation, officer=officer, moment=moment))
    _write_incident(scenario, officer=officer)


def _checks(site: Site, scenario: Scenario) -> Iterator[StartUpCheck]:
    """Of each laser and room of the clinic on the latest days on which it opened."""
    operator = scenario.organisation.at(site, Role.LASER_OPERATOR)[0].member
    lasers = [unit.row for unit in scenario.devices.at(site)]
    looked_at: list[Laser | Room] = [*lasers, *site.rooms]
    past = [span.start for span in site.open if span.start < scenario.moment.now]
    firsts = {local_date(start, site.zone): start for start in reversed(past)}
    for start in sorted(firsts.values())[-CHECKED_DAYS:]:
        at = start - BEFORE_OPENING
        for device in looked_at:
            yield _check(device, site, by=operator, at=at)
    if lasers and past:
        failed = _check(lasers[0], site, by=operator, at=at, fails="extraction")
        yield failed
        yield _check(lasers[0], site, by=operator, at=at + AGAIN_AFTER)


def _check(
    device: Laser | Room, site: Site, *, by: StaffMember, at: datetime, fails: str = ""
) -> StartUpCheck:
    laser = isinstance(device, Laser)
    scope = StartUpScope.LASER if laser else StartUpScope.ROOM
    answers = [_answer(item, ok=item.code != fails) for item in DEFAULTS.items_for(scope)]
    return StartUpCheck(
        clinic=site.clinic,
        day=local_date(at, site.zone),
        checked_at=at,
        checked_by=by,
        items=answers,
        passed=not fails,
        note=MARK,
        **{"laser" if laser else "room": device},
    )


def _answer(item: StartUpItem, *, ok: bool) -> dict[str, Any]:
    return {"code": item.code, "ok": ok, "note": "" if ok else "Filter full, a new one put in"}


def _records(
    organisation: Organisation, *, officer: StaffMember, moment: Moment
) -> Iterator[DutyRecord]:
    late = organisation.sites[-1]
    for number, site in enumerate(organisation.sites):
        for duty in DEFAULTS.periodic:
            overdue = site is late and duty.code == OVERDUE
            days = OVERDUE_DAYS_AGO if overdue else DONE_DAYS_AGO + 20 * number
            yield DutyRecord(
                clinic=site.clinic,
                duty=duty.code,
                done_on=moment.days_ago(days),
                done_by="Safety officer of the demonstration",
                outcome=f"Nothing found ({MARK})",
                recorded_by=officer,
                recorded_at=moment.now - timedelta(days=days - 1),
            )


@step
def _write_incident(scenario: Scenario, *, officer: StaffMember) -> None:
    """Somebody nearly came in without eyewear; the door was mended, and it was closed."""
    known_at = scenario.moment.now - timedelta(days=INCIDENT_DAYS_AGO)
    unit = scenario.devices.lasers[0]
    clinic: Clinic = unit.site.clinic
    incident = Incident(
        clinic=clinic,
        laser=unit.row,
        room=unit.row.room,
        kind=IncidentKind.ACCESS,
        actuality=IncidentActuality.POTENTIAL,
        status=IncidentStatus.COMPLETED,
        occurred_at=known_at - timedelta(hours=1),
        known_at=known_at,
        summary=f"The door did not close by itself while the laser was ready ({MARK})",
        reported_by=scenario.organisation.at(unit.site, Role.LASER_OPERATOR)[0].member,
        closed_at=known_at + timedelta(days=9),
        closed_by=officer,
        outcome="Door closer replaced, everybody told",
    )
    insert([incident])
    due: dict[str, datetime] = {}
    clocks: dict[str, IncidentClock] = {}
    for rule in DEFAULTS.clocks_for(IncidentKind.ACCESS):
        due[rule.code] = clock_due(rule, known_at=known_at, due=due)
        clocks[rule.code] = IncidentClock(
            incident=incident,
            code=rule.code,
            text=rule.text,
            source=rule.source,
            within=rule.within,
            due_at=due[rule.code],
            status=ClockStatus.COMPLETED,
            settled_at=known_at + rule.within / 4,
            settled_by=officer,
            reference=f"Note of the incident ({MARK})",
        )
    insert(clocks.values())
    note = IncidentNote(
        incident=incident,
        written_by=officer,
        written_at=known_at + timedelta(days=1),
        text="Closer worn out; a second look at the other rooms found nothing.",
    )
    insert([note])
