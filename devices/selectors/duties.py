"""How every safety duty of clinics stands, computed when it is asked; queries do not grow.

Start-up checks of today, periodic duties, officers, training of those who operate, inspections of
eyewear, clocks of incidents.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

from django.db.models import Q, QuerySet

from clinics.hours import local_date, local_day_end, local_day_start, zone_named
from clinics.models import Clinic, Credential, Membership, Room
from clinics.selectors import opening_spans_for
from clinics.vocabulary import CredentialKind, Role
from core.spans import Span
from core.vocabulary import DeviceStatus
from devices.models import (
    DutyPolicy,
    DutyRecord,
    Eyewear,
    IncidentClock,
    Laser,
    LockOut,
    OfficerAppointment,
    StartUpCheck,
)
from devices.safety.duties import due_on
from devices.safety.duty_rules import DutyRules
from devices.safety.vocabulary import StartUpScope
from devices.selectors.eyewear import eyewear_policy_of
from devices.selectors.start_up import duty_policy_of, duty_rules, failed_items
from devices.vocabulary import (
    ClockStatus,
    DutyState,
    DutySubject,
    EyewearState,
    IncidentStatus,
)

LATE: Final = frozenset({DutyState.OVERDUE, DutyState.NEVER, DutyState.FAILED})
PRACTICE: Final = "common practice of laser safety"
OFFICER: Final = "16 TAC 118.32; 25 TAC 289.301: a named laser safety officer"
TRAINING: Final = "only trained users operate a laser: 16 TAC 118.32"
INSPECTION: Final = "periodic inspection of protective equipment: ANSI Z136.3"


@dataclass(frozen=True, slots=True)
class Standing:
    """One duty of one thing: when it was last done, until when that counts, how it stands."""

    clinic_id: int
    duty: str
    text: str
    subject: DutySubject
    subject_id: int
    subject_name: str
    state: DutyState
    due_at: datetime
    last_at: datetime | None
    source: str
    detail: str = ""

    @property
    def late(self) -> bool:
        """Whether it belongs on the list of what is overdue."""
        return self.state in LATE


@dataclass(frozen=True, slots=True)
class _Frame:
    """The clinics asked for, with the chain's policy and everybody's today."""

    clinics: Mapping[int, Clinic]
    policy: DutyPolicy
    rules: DutyRules
    now: datetime

    def today(self, clinic_id: int) -> date:
        return local_date(self.now, zone_named(self.clinics[clinic_id].time_zone))

    def start(self, clinic_id: int, day: date) -> datetime:
        return local_day_start(day, zone_named(self.clinics[clinic_id].time_zone))

    def end(self, clinic_id: int, day: date) -> datetime:
        return local_day_end(day, zone_named(self.clinics[clinic_id].time_zone))

    def state(self, due_at: datetime) -> DutyState:
        """Of something that was done, and counts until `due_at`."""
        if self.now >= due_at:
            return DutyState.OVERDUE
        near = self.now >= due_at - timedelta(days=self.policy.warn_days)
        return DutyState.SOON if near else DutyState.DONE


def duty_standings(clinics: Iterable[Clinic], *, chain_id: int, now: datetime) -> list[Standing]:
    """Every duty of the active ones of these clinics of a chain, the longest overdue first."""
    policy = duty_policy_of(chain_id)
    held = {clinic.pk: clinic for clinic in clinics if clinic.active}
    frame = _Frame(held, policy, duty_rules(policy), now)
    found = [
        *_start_up(frame),
        *_periodic(frame),
        *_officers(frame),
        *_training(frame),
        *_eyewear(frame, chain_id=chain_id),
        *_clocks(frame),
    ]
    return sorted(found, key=lambda one: (not one.late, one.due_at, one.duty, one.subject_id))


def _start_up(frame: _Frame) -> Iterator[Standing]:
    """On days on which a clinic opens, due at its first hour; locked-out lasers need none."""
    opens = _opening_today(frame)
    ids = list(opens)
    lasers = Laser.objects.filter(clinic_id__in=ids, status=DeviceStatus.ACTIVE)
    out = LockOut.objects.of_whole_lasers().holding_at(frame.now)
    standing = list(lasers.exclude(pk__in=out.values("laser_id")))
    rooms = list(Room.objects.filter(clinic_id__in=ids, active=True, laser_controlled=True))
    days = {frame.today(pk) for pk in ids}
    latest: dict[tuple[bool, int, date], StartUpCheck] = {}
    checks = StartUpCheck.objects.filter(clinic_id__in=ids, day__in=days, checked_at__lte=frame.now)
    for check in checks.order_by("checked_at", "id"):
        of_laser = check.laser_id is not None
        latest[of_laser, check.laser_id or check.room_id or 0, check.day] = check
    for scope, things in ((StartUpScope.LASER, standing), (StartUpScope.ROOM, rooms)):
        if not frame.rules.items_for(scope):
            continue
        for thing in things:
            of_laser = scope is StartUpScope.LASER
            day = frame.today(thing.clinic_id)
            yield _started(
                frame,
                thing,
                check=latest.get((of_laser, thing.pk, day)),
                opens_at=opens[thing.clinic_id],
            )


def _opening_today(frame: _Frame) -> dict[int, datetime]:
    """When each clinic that opens today does so first."""
    if not frame.clinics:
        return {}
    days = {pk: frame.today(pk) for pk in frame.clinics}
    around = Span(
        min(frame.start(pk, day) for pk, day in days.items()),
        max(frame.end(pk, day) for pk, day in days.items()),
    )
    opens = {}
    for pk, spans in opening_spans_for(frame.clinics.values(), around).items():
        start, end = frame.start(pk, days[pk]), frame.end(pk, days[pk])
        today = [max(one.start, start) for one in spans if one.start < end and one.end > start]
        if today:
            opens[pk] = min(today)
    return opens


def _started(
    frame: _Frame, thing: Laser | Room, *, check: StartUpCheck | None, opens_at: datetime
) -> Standing:
    if check is None:
        state = DutyState.OVERDUE if frame.now >= opens_at else DutyState.SOON
        detail = ""
    else:
        state = DutyState.DONE if check.passed else DutyState.FAILED
        detail = "; ".join(failed_items(check, frame.rules))
    return Standing(
        clinic_id=thing.clinic_id,
        duty="start_up_check",
        text="Start-up check of the day",
        subject=DutySubject.LASER if isinstance(thing, Laser) else DutySubject.ROOM,
        subject_id=thing.pk,
        subject_name=str(thing) if isinstance(thing, Laser) else thing.name,
        state=state,
        due_at=opens_at,
        last_at=None if check is None else check.checked_at,
        source=PRACTICE,
        detail=detail,
    )


def _periodic(frame: _Frame) -> Iterator[Standing]:
    """One that was never recorded is late since the clinic was entered."""
    last: dict[tuple[int, str], date] = {}
    rows = DutyRecord.objects.filter(
        clinic_id__in=frame.clinics, withdraws=None, withdrawal__isnull=True
    )
    latest = rows.order_by("clinic_id", "duty", "-done_on").distinct("clinic_id", "duty")
    for clinic_id, code, day in latest.values_list("clinic_id", "duty", "done_on"):
        last[clinic_id, code] = day
    for clinic in frame.clinics.values():
        for duty in frame.rules.periodic:
            done = last.get((clinic.pk, duty.code))
            if done is None:
                due, state = clinic.created_at, DutyState.NEVER
            else:
                due = frame.end(clinic.pk, due_on(done, months=duty.months))
                state = frame.state(due)
            yield _of_clinic(
                clinic,
                duty=duty.code,
                text=duty.text,
                state=state,
                due_at=due,
                last_at=None if done is None else frame.start(clinic.pk, done),
                source=duty.source,
            )


def _officers(frame: _Frame) -> Iterator[Standing]:
    """A clinic has an officer whose credential is in date."""
    rows = OfficerAppointment.objects.filter(clinic_id__in=frame.clinics, deputy=False)
    named = list(rows.select_related("staff_member").order_by("valid_during"))
    trained = _last_days(
        {one.staff_member_id for one in named},
        kind=CredentialKind.LASER_SAFETY_OFFICER,
        today=frame.now.date(),
    )
    for clinic in frame.clinics.values():
        today = frame.today(clinic.pk)
        holding = [
            one
            for one in named
            if one.clinic_id == clinic.pk
            and one.staff_member.active
            and one.valid_during.lower <= today
            and (one.valid_during.upper is None or today < one.valid_during.upper)
        ]
        if not holding:
            yield _of_clinic(
                clinic,
                duty="officer",
                text="Laser safety officer appointed",
                state=DutyState.NEVER,
                due_at=frame.start(clinic.pk, today),
                last_at=None,
                source=OFFICER,
                detail="Nobody is laser safety officer today.",
            )
            continue
        [one] = holding
        ends = trained.get(one.staff_member_id, today)
        until = min(ends, one.valid_during.upper or date.max)
        yield _of_clinic(
            clinic,
            duty="officer",
            text="Laser safety officer appointed",
            state=frame.state(_instant(frame, clinic.pk, until)),
            due_at=_instant(frame, clinic.pk, until),
            last_at=frame.start(clinic.pk, one.valid_during.lower),
            source=OFFICER,
            detail=one.staff_member.name,
        )


def _training(frame: _Frame) -> Iterator[Standing]:
    """Who may operate lasers at a clinic holds a credential for it; without an end it is done."""
    members = Membership.objects.filter(
        Q(clinic_id__in=frame.clinics) | Q(clinic=None, staff_member__chain=frame.policy.chain_id),
        role=Role.LASER_OPERATOR,
        staff_member__active=True,
        valid_during__contains=frame.now,
    ).select_related("staff_member")
    operators = {(one.clinic_id, one.staff_member_id): one.staff_member for one in members}
    ends = _last_days(
        {pk for _, pk in operators}, kind=CredentialKind.LASER_OPERATION, today=frame.now.date()
    )
    for (own, staff_id), person in sorted(operators.items(), key=lambda held: held[0][1]):
        for clinic_id in [own] if own in frame.clinics else list(frame.clinics):
            due = _instant(frame, clinic_id, ends.get(staff_id, frame.today(clinic_id)))
            yield Standing(
                clinic_id=clinic_id,
                duty="training",
                text="Training as laser operator",
                subject=DutySubject.STAFF_MEMBER,
                subject_id=staff_id,
                subject_name=person.name,
                state=frame.state(due) if staff_id in ends else DutyState.NEVER,
                due_at=due,
                last_at=None,
                source=TRAINING,
            )


def _eyewear(frame: _Frame, *, chain_id: int) -> Iterator[Standing]:
    policy = eyewear_policy_of(chain_id)
    rows: QuerySet[Eyewear] = Eyewear.objects.filter(
        clinic_id__in=frame.clinics, state=EyewearState.IN_USE
    )
    for one in rows:
        seen = one.inspected_on
        if seen is None:
            due, state = one.created_at, DutyState.NEVER
        else:
            due = frame.end(one.clinic_id, due_on(seen, months=policy.inspection_months))
            state = frame.state(due)
        yield Standing(
            clinic_id=one.clinic_id,
            duty="eyewear_inspection",
            text="Eyewear inspected",
            subject=DutySubject.EYEWEAR,
            subject_id=one.pk,
            subject_name=one.label,
            state=state,
            due_at=due,
            last_at=None if seen is None else frame.start(one.clinic_id, seen),
            source=INSPECTION,
        )


def _clocks(frame: _Frame) -> Iterator[Standing]:
    rows = IncidentClock.objects.filter(
        incident__clinic_id__in=frame.clinics,
        incident__status=IncidentStatus.IN_PROGRESS,
        status=ClockStatus.REQUESTED,
    ).select_related("incident")
    for clock in rows:
        yield Standing(
            clinic_id=clock.incident.clinic_id,
            duty=clock.code,
            text=clock.text,
            subject=DutySubject.INCIDENT,
            subject_id=clock.incident_id,
            subject_name=f"{clock.incident.get_kind_display()} {clock.incident_id}",
            state=frame.state(clock.due_at),
            due_at=clock.due_at,
            last_at=None,
            source=clock.source,
        )


def _last_days(staff_ids: Collection[int], *, kind: CredentialKind, today: date) -> dict[int, date]:
    """Until when (excluded) each person's credentials of a kind reach; date.max for ever.

    One that begins later counts where it follows without a gap; whose have all ended is told too.
    """
    ends: dict[int, date] = {}
    rows = Credential.objects.filter(staff_member_id__in=staff_ids, kind=kind)
    for staff_id, days in rows.order_by("valid_during").values_list("staff_member", "valid_during"):
        reached = ends.get(staff_id, date.min)
        if days.lower <= max(reached, today):
            ends[staff_id] = max(reached, days.upper or date.max)
    return ends


def _instant(frame: _Frame, clinic_id: int, day: date) -> datetime:
    """The start of a day; one that never comes is put a hundred years ahead."""
    ahead = frame.today(clinic_id) + timedelta(days=36_525)
    return frame.start(clinic_id, min(day, ahead))


def _of_clinic(clinic: Clinic, **told: Any) -> Standing:
    return Standing(
        clinic_id=clinic.pk,
        subject=DutySubject.CLINIC,
        subject_id=clinic.pk,
        subject_name=clinic.name,
        **told,
    )
