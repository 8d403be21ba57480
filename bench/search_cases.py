"""Searches at random over a chain in the database, and what their peers need to make the same."""

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import psycopg
from django.db.models import F, OuterRef, Subquery
from django.utils import timezone

from bench import search_peers as peers
from clinics.access import Actor, Grant
from clinics.models import Chain as ChainRow
from clinics.models import Clinic, Reservation, StaffMember
from clinics.selectors import WITHIN
from clinics.vocabulary import Role
from core.spans import Span
from courses.models import Course, HealingWindow, Patient
from courses.selectors import healing, occupancy, plans, roster, spacing, visits
from courses.selectors.slots import Found, SearchOrder, slots_for_plan, slots_step_by_step
from courses.slots import Grid

MINUTES = 45
# So many clinics have rows in the peer's table of slots; all searches are at these.
IN_TABLE = 50


@dataclass(frozen=True, slots=True)
class Search:
    """The next visit of a course at these clinics: call it to make the search."""

    course: int
    order: SearchOrder
    actor: Actor
    now: datetime

    def __call__(self) -> Found:
        plan = plans.visit_plan(self.course, actor=self.actor)
        return slots_for_plan(plan, order=self.order, actor=self.actor, now=self.now)

    def first(self) -> object:
        """The first slots that are told of a search that is answered line by line."""
        steps = slots_step_by_step(self.course, order=self.order, actor=self.actor, now=self.now)
        return next(step for step in steps if step)


@dataclass(frozen=True, slots=True)
class Chain:
    """What is drawn from: clinics, and the quarter of courses whose windows closed first."""

    actor: Actor
    now: datetime
    clinics: list[int]
    courses: list[tuple[int, int]]
    chance: random.Random

    @classmethod
    def read(cls, *, chance: random.Random) -> "Chain":
        now = timezone.now()
        chain = ChainRow.objects.get()
        staff = StaffMember.objects.order_by("pk")[0]
        grant = Grant(Role.CHAIN_MANAGER, None)
        newest = HealingWindow.objects.filter(course=OuterRef("pk")).order_by("-closes_at")
        closed = Course.objects.annotate(closes_at=Subquery(newest.values("closes_at")[:1]))
        ready = closed.order_by(F("closes_at").asc(nulls_first=True), "pk")
        ready = ready[: Course.objects.count() // 4]
        return cls(
            actor=Actor(0, staff.pk, staff.name, chain.pk, (grant,)),
            now=now,
            clinics=list(Clinic.objects.order_by("pk").values_list("pk", flat=True)),
            courses=list(ready.values_list("pk", "clinic_id")),
            chance=chance,
        )

    def told(self) -> str:
        """How big it is."""
        ahead = Reservation.objects.filter(period__startswith__gt=self.now).count()
        return (
            f"{len(self.clinics)} clinics, {Patient.objects.count():,} patients,"
            f" {Reservation.objects.count() - ahead:,} past and {ahead:,} coming reservations"
        )

    def search(self, *, clinics: int, weeks: int) -> Search:
        """A search for a course at random, at its clinic or at many."""
        in_table = self.clinics[:IN_TABLE]
        own = None
        while own not in in_table:
            course, own = self.chance.choice(self.courses)
        chosen = [own] if clinics == 1 else in_table[:clinics]
        order = SearchOrder(
            span=Span(self.now, self.now + timedelta(weeks=weeks)),
            clinics=dict.fromkeys(chosen, 1.0),
            minutes=MINUTES,
        )
        return Search(course, order, self.actor, self.now)

    def case(self, search: Search) -> peers.Case:
        """The same search for the peers."""
        grid = Grid.whole_days(search.order.span)
        plan = plans.visit_plan(search.course, actor=self.actor)
        lines = {nm for need in plan.needs for nm in need.wavelengths_nm}
        rosters = self.rosters(list(search.order.clinics), grid)
        return peers.Case(
            rosters=rosters,
            lasers=frozenset(
                laser.resource_id
                for one in rosters
                for laser in one.lasers
                if laser.wavelengths_nm & lines
            ),
            grid=grid,
            earliest=max(self.now, plan.earliest.closes_at or self.now),
            latest=search.order.span.end,
            advised=plan.earliest.advised_on or self.now.date(),
            minutes=MINUTES,
            now=self.now,
        )

    def rosters(self, clinics: list[int], grid: Grid) -> list[roster.ClinicRoster]:
        """The rosters of clinics, read once for each grid."""
        wanted = [pk for pk in clinics if (pk, grid) not in KNOWN]
        span = Span(grid.start, grid.end)
        for one in roster.rosters_for(wanted, span=span, actor=self.actor) if wanted else ():
            KNOWN[one.id, grid] = one
        return [KNOWN[pk, grid] for pk in clinics]

    def make_slot_table(self, own: psycopg.Connection, *, weeks: int) -> None:
        """The peer's table, for as many clinics as one search is over."""
        grid = Grid.whole_days(Span(self.now, self.now + timedelta(weeks=weeks)))
        chosen = self.clinics[:IN_TABLE]
        rows = peers.make_slot_table(own, self.rosters(chosen, grid))
        print(f"table of slots: {rows:,} rows for {len(chosen)} clinics", flush=True)

    def statements(self) -> Iterator[tuple[str, str, dict[str, Any]]]:
        """Each hot statement with values for one clinic."""
        search = self.search(clinics=1, weeks=8)
        case = self.case(search)
        grid, resources = case.grid, case.resources
        patient = Course.objects.values_list("patient_id", "patient__resource_id")
        patient_id, patient_resource = patient.get(pk=search.course)
        span = {"start": grid.start, "end": grid.end, "now": self.now}
        own = case.rosters[0]
        place = {
            "room": own.rooms[0].id,
            "operator": own.operators[0].id,
            "laser": own.lasers[0].id,
            "handpieces": [own.handpieces[0].id],
            "patient": patient_id,
            "clinic": own.id,
            "chain": self.actor.chain_id,
        }
        days = {"first": grid.start.date(), "last": grid.end.date()}
        clinics = {"clinics": [own.id], "chain": self.actor.chain_id}
        found = {**span, **days, **place, **clinics, "resources": resources}
        found |= {"patients": [patient_resource], "course": search.course}
        found |= {"courses": [search.course]}
        for name, statement in (
            ("plan of a course", plans.PLANS),
            ("rosters", roster.PLACES),
            ("occupancy, holds, and when the patient is busy", occupancy.BUSY),
            ("from when the skin may be treated", healing.EARLIEST),
            ("how soon another visit could follow", spacing.TO_FOLLOW),
            ("resources of a visit", visits.RESOURCES),
            ("what of a place is known", visits.KNOWN),
            ("what stands in the way of a booking", WITHIN),
        ):
            yield name, statement.sql, found


KNOWN: dict[tuple[int, Grid], roster.ClinicRoster] = {}
