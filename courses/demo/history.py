"""A year of treatment: every course walks towards the stage at which it stands today."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from heapq import heapify, heappop, heappush

from clinics.hours import local_date, local_day_start
from courses.demo.diary import Diary, Visit, Wanted
from courses.demo.moment import Moment
from courses.demo.organisation import Organisation, Site
from courses.demo.patients import Case
from courses.demo.skin import Healing, healing_after
from courses.demo.stages import SCRIPTS, Stage
from courses.demo.treatment import (
    Treatment,
    facts_of,
    facts_planned,
    grade,
    plan_of,
    technique_of,
    treat,
)
from courses.demo.windows import final_window
from courses.healing import Window, earliest_instant
from courses.selectors.plans import diary_timeline
from courses.vocabulary import AppointmentStatus

ONE_DAY = timedelta(days=1)
SEARCHED_DAYS = 16
# Windows that a visitor sees: they closed so many days ago, and nobody has been told yet.
JUST_CLOSED_DAYS = (1, 5)
LEFT_WHEN_CLEAR = 0.02
GRADED = (30, 41)
ELSEWHERE = 0.03
MISHAP = 0.09
FELL_THROUGH_BECAUSE = {
    AppointmentStatus.NOSHOW: (
        "Did not come, not reached by phone",
        "Came an hour late, new visit agreed",
    ),
    AppointmentStatus.CANCELLED: (
        "Patient is ill",
        "Patient travels",
        "Tanned skin after a holiday",
    ),
}


@dataclass(slots=True)
class Booking:
    """A visit that was booked, and what became of it."""

    case: Case
    visit: Visit
    status: AppointmentStatus
    reason: str = ""
    treatment: Treatment | None = None


@dataclass(slots=True)
class Walk:
    """A course on its way: sessions to come as (target date, what follows), and those done.

    `window` is that of the last session as it will be told in the end, `closes_at` its closing.
    """

    case: Case
    ahead: list[tuple[date, Healing]]
    done: list[Treatment] = field(default_factory=list)
    window: Window | None = None
    closes_at: datetime | None = None
    mishap: bool = False


class Historian:
    """Makes up the year day by day, over the diaries of all clinics."""

    def __init__(
        self,
        cases: Sequence[Case],
        *,
        diaries: Sequence[Diary],
        organisation: Organisation,
        moment: Moment,
    ) -> None:
        self.diaries = diaries
        self.organisation = organisation
        self.moment = moment
        self.bookings: list[Booking] = []
        self.walks = [self._walk(case) for case in cases]

    def run(self, *, tell: Callable[[str], None]) -> None:
        """Let all courses run from a year ago to today, in the order of time."""
        queue = [(walk.ahead[0][0], n) for n, walk in enumerate(self.walks) if walk.ahead]
        heapify(queue)
        told_of = ""
        while queue:
            day, number = heappop(queue)
            if f"{day:%B %Y}" != told_of:
                told_of = f"{day:%B %Y}"
                tell(told_of)
            again = self._step(self.walks[number], day)
            if again is not None:
                heappush(queue, (again, number))

    def diary_of(self, site: Site) -> Diary:
        """The diary of a clinic."""
        return next(diary for diary in self.diaries if diary.site is site)

    def _walk(self, case: Case) -> Walk:
        """The sessions a course is to have, reckoned back from the last one."""
        script = SCRIPTS[case.stage]
        count = case.chance.randint(*script.sessions)
        if not count:
            return Walk(case, [])
        follows = [
            healing_after(case.stage, last=number == count, chance=case.chance)
            for number in range(1, count + 1)
        ]
        days = [self._days_to_close(case, healing) for healing in follows]
        back = case.chance.randint(*script.days_ago) + (days[-1] if script.after_closing else 0)
        target = self.moment.days_ago(back)
        ahead = [(target, follows[-1])]
        for healing, closes in zip(reversed(follows[:-1]), reversed(days[:-1]), strict=True):
            target -= timedelta(days=closes + round(case.chance.triangular(2, 40, 14)))
            if target < self.moment.first_day:
                break
            ahead.insert(0, (target, healing))
        if case.stage is Stage.COMPLETED:
            for part in case.parts:
                part.rate = 1 - LEFT_WHEN_CLEAR ** (1 / len(ahead))
        return Walk(case, ahead)

    def _days_to_close(self, case: Case, healing: Healing) -> int:
        """Days from a session over all parts to the closing of its window; 0 for none."""
        facts = facts_planned(case, treated_on=self.moment.first_day, healing=healing)
        return final_window(facts, healing).days or 0

    def _step(self, walk: Walk, day: date) -> date | None:
        """Take a course's next session; when to look at it again, or None when it is over."""
        _, healing = walk.ahead[0]
        visit = self._visit(walk, day)
        if visit is not None and not walk.mishap and walk.case.chance.random() < MISHAP:
            return self._mishap(walk, visit)
        walk.mishap = False
        walk.ahead.pop(0)
        if visit is not None:
            self._take_place(walk, visit, healing=healing)
        if not walk.ahead:
            return None
        closes_on = walk.window.earliest_on if walk.window else None
        return max(walk.ahead[0][0], day, closes_on or day)

    def _visit(self, walk: Walk, day: date) -> Visit | None:
        """A free slot from the day on, after the window before has closed; None: there is none."""
        case = walk.case
        plan = plan_of(case)
        if plan is None:
            return None
        closing = case.stage is Stage.CLOSING and len(walk.ahead) == 1
        elsewhere = not closing and case.chance.random() < ELSEWHERE
        diary = case.chance.choice(self.diaries) if elsewhere else self.diary_of(case.site)
        first, latest = day, day + timedelta(days=SEARCHED_DAYS)
        if closing:
            closes = self._days_to_close(case, walk.ahead[0][1])
            latest, first = (self.moment.days_ago(closes + days) for days in JUST_CLOSED_DAYS)
        starts = local_day_start(first, diary.site.zone)
        wanted = Wanted(
            timeline=diary_timeline(plan.length(technique_of(case))),
            needs=plan.needs,
            earliest_at=max(starts, walk.closes_at or starts),
            latest=min(local_day_start(latest + ONE_DAY, diary.site.zone), self.moment.now),
            close_to=first,
            wishes=() if closing or elsewhere else case.wishes,
            familiar=familiar(walk, diary),
            spare_first_laser=case.number % 2 == 0,
        )
        if wanted.earliest_at >= wanted.latest:
            return None
        found = diary.find(wanted)
        if not found:
            return None
        return found[0] if case.chance.random() < 0.6 else case.chance.choice(found)

    def _mishap(self, walk: Walk, visit: Visit) -> date:
        """The patient does not come, or calls the visit off; another one is looked for."""
        case = walk.case
        walk.mishap = True
        status = case.chance.choice((AppointmentStatus.NOSHOW, AppointmentStatus.CANCELLED))
        reasons = FELL_THROUGH_BECAUSE[status]
        if status is AppointmentStatus.NOSHOW:
            visit.diary.take(visit)
        self.bookings.append(Booking(case, visit, status, reason=case.chance.choice(reasons)))
        day = local_date(visit.slot.start, visit.diary.site.zone)
        return day + timedelta(days=case.chance.randint(3, 10))

    def _take_place(self, walk: Walk, visit: Visit, *, healing: Healing) -> None:
        case = walk.case
        visit.diary.take(visit)
        treatment = treat(case, visit, number=len(walk.done) + 1, healing=healing)
        self.bookings.append(Booking(case, visit, AppointmentStatus.FULFILLED, treatment=treatment))
        walk.done.append(treatment)
        walk.window = final_window(facts_of(treatment), healing)
        if walk.window.earliest_on is not None:
            zone = treatment.site.sketch.time_zone
            walk.closes_at = earliest_instant(walk.window.earliest_on, zone=zone)
        else:
            walk.ahead.clear()
        self._grade(walk, treatment)

    def _grade(self, walk: Walk, treatment: Treatment) -> None:
        """A look at the skin, well after the session and before the next one."""
        case = walk.case
        always = case.stage is Stage.COMPLETED and not walk.ahead
        day = treatment.treated_on + timedelta(days=case.chance.randint(*GRADED))
        if day >= self.moment.today or not (always or case.chance.random() < 0.8):
            return
        clinician = self.organisation.clinician_at(treatment.site)
        for part in case.left():
            grade(
                part,
                graded_on=day,
                by=clinician,
                target=case.course.target_clearance,
                noise=0.0 if always else case.chance.uniform(-0.06, 0.04),
            )


def familiar(walk: Walk, diary: Diary) -> frozenset[int]:
    """Who at this clinic has treated the patient before, as positions."""
    return frozenset(one.visit.slot.operator_id for one in walk.done if one.visit.diary is diary)
