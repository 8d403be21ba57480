"""A re-plan as the solver takes it: who lost a slot, and what the diary still offers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from clinics.querysets import HasChain
from core.spans import Span, merge
from courses.errors import HorizonTooLong
from courses.models import Appointment
from courses.replan import Displaced, ReplanPolicy, ReplanProblem
from courses.selectors.replanning.diary import ReplanDiary, replan_diary
from courses.selectors.replanning.displaced import Needs, Wish, needs_of
from courses.selectors.replanning.outages import Broken
from courses.slots import Grid, Reason

MAX_DAYS: Final = 60
MAX_HORIZON_DAYS: Final = 180


@dataclass(frozen=True, slots=True)
class Horizon:
    """Slots are looked for from now until so many days after the last visit that is hit."""

    days: int

    def grid(self, appointments: Sequence[Appointment], *, now: datetime) -> Grid:
        """Whole days. Raises HorizonTooLong."""
        last = max((one.ends_at for one in appointments), default=now)
        end = max(last, now) + timedelta(days=self.days)
        if end - now > timedelta(days=MAX_HORIZON_DAYS):
            raise HorizonTooLong(
                f"The last visit that is hit is on {last:%Y-%m-%d}. Slots are looked for in at most"
                f" {MAX_HORIZON_DAYS} days from now.",
                last=last.isoformat(),
                max_days=MAX_HORIZON_DAYS,
            )
        return Grid.whole_days(Span(now, end))


@dataclass(frozen=True, slots=True)
class Barred:
    """An appointment for which no slot is looked for, and why."""

    key: int
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Posed:
    """The problem, and who is not in it."""

    problem: ReplanProblem
    barred: tuple[Barred, ...]


def problem_of(
    appointments: Sequence[Appointment],
    *,
    broken: Sequence[Broken],
    wish: Wish,
    horizon: Horizon,
    policy: ReplanPolicy,
    actor: HasChain,
    now: datetime,
) -> Posed:
    """What the solver is asked, for appointments read as by `hits_of`. Eight queries at most.

    Raises HorizonTooLong.
    """
    grid = horizon.grid(appointments, now=now)
    needs = needs_of(appointments, wish=wish, actor=actor, now=now)
    asked = [one for one in needs if one.displaced is not None]
    diary = replan_diary(
        sorted({pk for one in asked if one.displaced for pk in one.displaced.clinic_ids}),
        sources=[f"appointment:{one.appointment.pk}" for one in asked],
        patient_resource_ids=[one.appointment.course.patient.resource_id for one in asked],
        broken=broken,
        grid=grid,
        now=now,
        actor=actor,
    )
    displaced, nowhere = _places(asked, diary)
    return Posed(
        problem=ReplanProblem(
            grid=grid, clinics=tuple(diary.clinics.values()), displaced=displaced, policy=policy
        ),
        barred=(*_barred(needs), *nowhere),
    )


def _barred(needs: Iterable[Needs]) -> Iterable[Barred]:
    return (Barred(one.appointment.pk, one.barred) for one in needs if one.displaced is None)


def _places(
    asked: Sequence[Needs], diary: ReplanDiary
) -> tuple[tuple[Displaced, ...], tuple[Barred, ...]]:
    """With the clinics that are in use, and when the patient is busy; who has no clinic left."""
    placed: list[Displaced] = []
    nowhere: list[Barred] = []
    for one in asked:
        if one.displaced is None:
            continue
        clinics = tuple(pk for pk in one.displaced.clinic_ids if pk in diary.clinics)
        if not clinics:
            reason = Reason("no_clinic", "No clinic is accepted that is active.", {})
            nowhere.append(Barred(one.appointment.pk, (reason,)))
            continue
        busy = diary.busy_of(one.appointment.course.patient.resource_id)
        asked_for = one.displaced.request
        spans = tuple(merge([*busy, *asked_for.patient_busy]))
        request = replace(asked_for, patient_busy=spans)
        placed.append(replace(one.displaced, clinic_ids=clinics, request=request))
    left = {one.key for one in placed}
    # Whoever is not in the problem cannot be followed.
    return (
        tuple(
            replace(one, follows=tuple(f for f in one.follows if f.key in left)) for one in placed
        ),
        tuple(nowhere),
    )
