"""Two chains with rows of every kind, and callers of every role and place."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from django.db import transaction
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import AccessToken, Chain, Clinic, SignInSession, StaffMember
from clinics.vocabulary import Role
from courses import models as courses
from courses.services.calibration import calibration_run
from courses.timing.cadence import DEFAULT
from courses.timing.documents import document_of
from devices import models as devices
from tests.support.api import Caller
from tests.support.booking import make_stage
from tests.support.counters import make_counter, make_reading
from tests.support.courses import (
    make_appointment,
    make_contact_point,
    make_grade,
    make_observation,
    make_session,
    make_ward,
    make_window,
)
from tests.support.demo import LOADED_AT, unit
from tests.support.factories import make_clinic, make_membership, make_staff
from tests.support.upkeep import install, make_check, make_meter, make_part, make_plan

WAYS_TO_CLINIC = (
    "clinic_id",
    "laser.clinic_id",
    "handpiece.resource.clinic_id",
    "resource.clinic_id",
    "counter.laser.clinic_id",
    "counter.handpiece.resource.clinic_id",
    "course.clinic_id",
    "session.clinic_id",
    "plan.laser.clinic_id",
    "gap.clinic_id",
    "recall.course.clinic_id",
    "home_clinic_id",
    "patient.home_clinic_id",
    "tattoo.patient.home_clinic_id",
    "part.tattoo.patient.home_clinic_id",
    "message.recall.course.clinic_id",
)
"""How a row leads to where it belongs; the first that does."""


COLUMNS = {"serial": "device", "read_at": "read at", "value": "count"}
FIXED = {"counter_kind": "laser", "unit": "pulses", "occasion": "daily"}
"""How a file of readings is laid out."""


ONLY = {AccessToken: {"machine": True}}
"""Which rows of a table addresses show, where it is not all of them."""


def clinic_of(row: Any) -> int | None:
    """The clinic that the row belongs to, or None."""
    if isinstance(row, Clinic):
        return row.pk
    for way in WAYS_TO_CLINIC:
        found = row
        for name in way.split("."):
            found = getattr(found, name, None)
        if found is not None:
            return found
    return None


@dataclass
class World:
    """The demonstration, what it lacks, and another chain."""

    home: Clinic
    away: Clinic
    other: Clinic
    callers: dict[Any, Caller] = field(default_factory=dict)
    rows: dict[Any, Any] = field(default_factory=dict)

    @property
    def chain(self) -> Chain:
        return self.home.chain

    def caller(self, role: Role, place: Clinic | Chain) -> Caller:
        """Who holds the role at the clinic, or in the whole chain."""
        return self.callers[role, type(place), place.pk]

    def clinic(self, pk: int | None) -> Clinic:
        """The clinic of the chain with that key; home for what has none."""
        return next((one for one in self.chain.clinics.all() if one.pk == pk), self.home)

    def employ(self) -> None:
        """Somebody for each role, at each clinic and in each chain."""
        for place in (*self.chain.clinics.all(), self.chain, self.other.chain):
            for role in Role:
                at = place if isinstance(place, Clinic) else None
                staff = make_staff(at.chain if at else place, user=True)
                make_membership(staff, role, clinic=at)
                self.callers[role, type(place), place.pk] = Caller(staff)

    def row(self, model: Any, *, chain: Chain | None = None) -> Any:
        """A row of the chain, of the home clinic where it has one."""
        chain = chain or self.chain
        key = model, chain.pk
        if key not in self.rows:
            self.rows[key] = self._found(model, chain)
        return self.rows[key]

    def _found(self, model: Any, chain: Chain) -> Any:
        seen = model._default_manager.visible_to(chain_seen(chain)).order_by("pk")
        seen = seen.filter(**ONLY.get(model, {}))
        near = {self.home.pk, self.other.pk}
        rows = list(seen[:200])
        return next((row for row in rows if clinic_of(row) in near), rows[0] if rows else None)


@dataclass(frozen=True)
class chain_seen:  # noqa: N801
    """Whoever sees a chain: all that scoping needs."""

    of: Chain

    @property
    def chain_id(self) -> int:
        return self.of.pk


def build() -> World:
    """The world; the demonstration is loaded already."""
    fill(Chain.objects.get())
    world = world_of(Chain.objects.order_by("pk")[0])
    world.employ()
    return world


def fill(chain: Chain) -> None:
    """Put what the demonstration lacks into its chain, and another chain beside it."""
    _another_chain()
    world = world_of(chain)
    _fill(world, world.home)


def world_of(chain: Chain) -> World:
    """A chain that was filled, with nobody who asks yet."""
    home, away = chain.clinics.order_by("pk")[:2]
    return World(home, away, Clinic.objects.exclude(chain=chain).order_by("pk")[0])


def _another_chain() -> Clinic:
    stage = make_stage(clinic=make_clinic(country="", name="Nightjar Lane (invented)"))
    ward = make_ward(clinic=stage.clinic)
    session = make_session(ward)
    make_window(session)
    make_observation(session)
    make_appointment(ward)
    make_grade(ward.parts[0], LOADED_AT.date())
    make_contact_point(ward.course.patient)
    install(make_part(stage.chain), stage.laser)
    make_plan(stage.laser, last_done_at=LOADED_AT - timedelta(days=30))
    make_check(stage.laser, stage.handpiece, checked_at=LOADED_AT - timedelta(days=1))
    make_meter(stage.chain)
    make_reading(make_counter(stage.laser), 5)
    devices.CounterLayout.objects.create(chain=stage.chain, name="Theirs", columns={})
    return stage.clinic


def _fill(world: World, home: Clinic) -> None:
    """What the demonstration has none of."""
    chain, staff = home.chain, StaffMember.objects.filter(chain=home.chain).first()
    at = {"set_by": staff, "set_at": LOADED_AT}
    machine = StaffMember.objects.filter(chain=chain, user__isnull=False).first()
    AccessToken.objects.make(
        machine.user,
        expires_at=LOADED_AT + timedelta(days=9),
        machine=True,
        name="told by a test",
        scopes=["own.use"],
    )
    SignInSession.objects.create(
        session_key="s" * 64, session_data="", expire_date=LOADED_AT, user=machine.user
    )
    courses.Erasure.objects.create(
        patient=world.row(courses.Patient), reason="invented", asked_by=staff, asked_at=LOADED_AT
    )
    layout = devices.CounterLayout.objects.create(
        chain=chain, name="Ours", columns=COLUMNS, fixed=FIXED, delimiter=";"
    )
    devices.CounterImport.objects.create(
        chain=chain,
        layout=layout,
        digest="0" * 64,
        rows=1,
        imported_at=LOADED_AT,
        imported_by=staff,
    )
    line = devices.EmissionLine.objects.visible_to(chain_seen(chain)).first()
    devices.AccompanyingEmission.objects.create(line=line, wavelength_nm=808, max_energy_j=0.1)
    laser = devices.Laser.objects.filter(clinic=home).first()
    soon = DateTimeTZRange(LOADED_AT + timedelta(days=90), LOADED_AT + timedelta(days=91))
    devices.ServiceVisit.objects.create(laser=laser, period=soon, status="pending", booked_by=staff)
    courses.MessageTemplate.objects.create(
        chain=chain,
        name="invitation",
        language="en",
        number=1,
        subject="s",
        body="b",
        short="c",
        **at,
    )
    courses.RecallPolicy.objects.create(chain=chain, number=1, document=document_of(DEFAULT), **at)
    course = courses.Course.objects.filter(clinic=home, status="active").first()
    message = courses.Message.objects.filter(recall__course__clinic=home).first()
    courses.DeliveryReport.objects.create(
        message=message,
        provider_id="p-1",
        outcome="delivered",
        happened_at=LOADED_AT,
        received_at=LOADED_AT,
    )
    courses.AppointmentSeries.objects.create(course=course, booked_by=staff)
    calibration_run(asker=chain_seen(chain), staff_id=staff.pk, now=LOADED_AT)
    courses.CalendarFeed.objects.create(
        resource=home.rooms.first().resource, token_digest="d" * 64, made_by=staff
    )
    entry = courses.WaitingListEntry.objects.create(
        course=course, since=LOADED_AT, entered_by=staff
    )
    gap = courses.Gap.objects.create(
        clinic=home, period=soon, laser=laser, hold_minutes=30, started_by=staff
    )
    courses.GapOffer.objects.create(gap=gap, entry=entry, position=1, overdue_days=3)
    courses.PrecautionDecision.objects.create(
        patient=course.patient,
        precaution="pregnancy",
        kind="clear",
        reason="Told by a test",
        decided_on=LOADED_AT.date(),
        decided_by=staff,
        decided_at=LOADED_AT,
    )
    replan = courses.Replan.objects.create(
        chain=chain, clinic_ids=[home.pk], days=28, notice_hours=24, hits=1, requested_by=staff
    )
    courses.ReplanRun.objects.create(
        replan=replan, number=1, seed=1, seconds=1, requested_at=LOADED_AT
    )


@contextmanager
def undone() -> Iterator[None]:
    """What is done within is taken back."""
    opened = unit()
    with opened:
        yield
        transaction.set_rollback(True)
