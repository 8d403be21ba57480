"""What is booked ahead, and how each course stands in the end."""

from datetime import date, datetime, timedelta

from courses.demo.diary import Visit, Wanted
from courses.demo.history import Booking, Historian, Walk, familiar
from courses.demo.moment import BOOKED_DAYS, Moment
from courses.demo.patients import Case
from courses.demo.stages import SCRIPTS, Stage
from courses.demo.treatment import facts_of, plan_of, technique_of
from courses.demo.windows import told
from courses.selectors.plans import diary_timeline
from courses.vocabulary import AppointmentStatus, CourseEnd, CourseStatus, WindowState

SEARCHED = timedelta(days=18)
PAUSED_BECAUSE = ("Pregnancy; to be asked again", "New job, asks for a break of some months")
REVOKED_BECAUSE = (
    (CourseEnd.PATIENT_STOPPED, "Content with what has faded"),
    (CourseEnd.PATIENT_STOPPED, "Wants no further sessions"),
    (CourseEnd.CLINICIAN_STOPPED, "Texture change; no further laser on this site"),
    (CourseEnd.MOVED_AWAY, "Moved abroad"),
)


def book_ahead(historian: Historian) -> None:
    """Book the next visits of those who have one, in the order in which they may come."""
    moment = historian.moment
    booking = [(_earliest(walk, moment), walk) for walk in historian.walks if _books(walk.case)]
    for earliest_at, walk in sorted(booking, key=lambda one: (one[0], one[1].case.number)):
        visit = _visit_ahead(historian, walk, earliest_at=earliest_at)
        if visit is None:
            continue
        visit.diary.take(visit)
        historian.bookings.append(Booking(walk.case, visit, AppointmentStatus.BOOKED))


def end_courses(historian: Historian) -> None:
    """Give every course the status, dates and reasons that go with what has happened."""
    moment = historian.moment
    booked = {id(one.case) for one in historian.bookings if one.status == AppointmentStatus.BOOKED}
    for walk in historian.walks:
        _begin(walk, moment)
        if not walk.case.left():
            _complete(walk, moment)
        elif id(walk.case) not in booked:
            _leave(walk, moment)


def _books(case: Case) -> bool:
    return SCRIPTS[case.stage].books and plan_of(case) is not None


def _earliest(walk: Walk, moment: Moment) -> datetime:
    return max(moment.now, walk.closes_at or moment.now)


def _visit_ahead(historian: Historian, walk: Walk, *, earliest_at: datetime) -> Visit | None:
    case, moment = walk.case, historian.moment
    plan = plan_of(case)
    until = moment.now + timedelta(days=BOOKED_DAYS)
    if plan is None or (walk.done and (walk.closes_at is None or _held(walk, moment))):
        return None
    aim = max(earliest_at, _aim(walk, moment))
    diary = historian.diary_of(case.site)
    for start, wishes in ((aim, case.wishes), (earliest_at, ())):
        latest = min(start + SEARCHED, until)
        if start >= latest:
            continue
        found = diary.find(
            Wanted(
                timeline=diary_timeline(plan.length(technique_of(case))),
                needs=plan.needs,
                earliest_at=start,
                latest=latest,
                close_to=start.date(),
                wishes=wishes,
                familiar=familiar(walk, diary),
                spare_first_laser=case.number % 2 == 0,
            )
        )
        if found:
            return found[0] if case.chance.random() < 0.6 else case.chance.choice(found)
    return None


def _held(walk: Walk, moment: Moment) -> bool:
    """Whether somebody must look at the skin first, by what is known up to yesterday."""
    treatment = walk.done[-1]
    versions = told(
        facts_of(treatment),
        treatment.healing,
        keys=[""] * len(treatment.healing.reactions),
        until=moment.days_ago(1),
        clinician="-",
    )
    return versions[-1].window.state is WindowState.HELD


def _aim(walk: Walk, moment: Moment) -> datetime:
    """When the patient would like to come: about the advised day, or soon."""
    chance = walk.case.chance
    if walk.case.stage is Stage.HEALING_BOOKED and walk.window and walk.window.advised_on:
        days = (walk.window.advised_on - moment.today).days
        return moment.now + timedelta(days=days + chance.randint(-6, 6))
    return moment.now + timedelta(days=chance.randint(0, 14))


def _begin(walk: Walk, moment: Moment) -> None:
    """Assessment and consent lie before the first session, or just behind us."""
    case, course = walk.case, walk.case.course
    first = walk.done[0].treated_on if walk.done else moment.today
    assessed_on = first - timedelta(days=case.chance.randint(4, 20))
    if case.stage is Stage.DRAFT:
        course.consented_on = assessed_on if case.chance.random() < 0.3 else None
        return
    course.status = CourseStatus.ACTIVE
    course.consented_on = assessed_on
    course.started_on = assessed_on


def _complete(walk: Walk, moment: Moment) -> None:
    course = walk.case.course
    cleared = [part.row.cleared_on for part in walk.case.parts if part.row.cleared_on]
    course.status = CourseStatus.COMPLETED
    course.end_reason = CourseEnd.GOAL_REACHED
    course.status_reason = "Every part has reached the goal"
    course.ended_on = min(max(cleared) + timedelta(days=2), moment.days_ago(1))


def _leave(walk: Walk, moment: Moment) -> None:
    """Courses that do not go on, or not now."""
    case, course = walk.case, walk.case.course
    if case.stage is Stage.PAUSED:
        course.status = CourseStatus.ON_HOLD
        course.status_reason = case.chance.choice(PAUSED_BECAUSE)
    elif case.stage is Stage.LOST:
        reason = "Four messages and two calls without an answer"
        _revoke(walk, CourseEnd.LOST_TO_FOLLOW_UP, reason, after=100, moment=moment)
    elif case.stage is Stage.REVOKED:
        end, reason = case.chance.choice(REVOKED_BECAUSE)
        _revoke(walk, end, reason, after=case.chance.randint(20, 45), moment=moment)
    elif case.stage is Stage.BARRED:
        case.patient.gold_therapy_ever = True
        if case.number % 2:
            reason = "Gold medication years ago, told after the first session"
            _revoke(walk, CourseEnd.CLINICIAN_STOPPED, reason, after=35, moment=moment)


def _revoke(walk: Walk, end: CourseEnd, reason: str, *, after: int, moment: Moment) -> None:
    course = walk.case.course
    last: date = walk.done[-1].treated_on if walk.done else moment.days_ago(after + 1)
    course.status = CourseStatus.REVOKED
    course.end_reason = end
    course.status_reason = reason
    course.ended_on = min(last + timedelta(days=after), moment.days_ago(1))
