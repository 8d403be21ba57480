"""What the planner reads of many courses at once: a fixed number of queries for a batch."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from clinics.hours import zone_named
from core.prepared import Prepared
from courses.models import Course, RecallPause
from courses.timing import (
    CourseFacts,
    PauseFacts,
    Place,
    SessionFacts,
    VisitFacts,
    WindowFacts,
)
from courses.timing.differences import MessageRow, RecallRow
from courses.timing.points import Point
from courses.vocabulary import (
    AppointmentStatus,
    Channel,
    CourseStatus,
    MessageStatus,
    RecallReason,
    RequestStatus,
    WindowState,
)

# Longer ago than any check-in may be asked for, and than any visit that fell through counts.
LOOK_BACK: Final = timedelta(days=100)

COURSES: Final = Prepared("""
    SELECT course.id, course.chain_id, course.status, patient.deceased, patient.gold_therapy_ever,
        pause.id, pause.until
    FROM courses_course AS course JOIN courses_patient AS patient ON patient.id = course.patient_id
    LEFT JOIN LATERAL (
        SELECT newest.id, newest.until FROM courses_recallpause AS newest
        WHERE newest.course_id = course.id ORDER BY newest.id DESC LIMIT 1
    ) AS pause ON true
    WHERE course.id = ANY (%(courses)s::bigint[])
""")

# The newest window of each tattoo of the course, also of earlier courses: it is the same skin.
WINDOWS: Final = Prepared("""
    SELECT DISTINCT own.course_id, newest.id, newest.state, newest.earliest_on,
        newest.clinic_id, clinic.time_zone
    FROM courses_course_tattoos AS own CROSS JOIN LATERAL (
        SELECT heals.id, heals.state, heals.earliest_on, session.clinic_id
        FROM courses_tattoopart AS part
        JOIN courses_treatmentpass_parts AS treated ON treated.tattoopart_id = part.id
        JOIN courses_treatmentpass AS pass ON pass.id = treated.treatmentpass_id
        JOIN courses_session AS session ON session.id = pass.session_id
        JOIN courses_healingwindow AS heals ON heals.session_id = session.id
        WHERE part.tattoo_id = own.tattoo_id AND session.status <> 'entered-in-error'
        ORDER BY session.started_at DESC, heals.id DESC LIMIT 1
    ) AS newest JOIN clinics_clinic AS clinic ON clinic.id = newest.clinic_id
    WHERE own.course_id = ANY (%(courses)s::bigint[])
""")

VISITS: Final = Prepared("""
    SELECT visit.course_id, visit.id, visit.status, visit.starts_at, visit.ends_at,
        visit.updated_at, visit.hold_expires_at, visit.clinic_id, clinic.time_zone
    FROM courses_appointment AS visit JOIN clinics_clinic AS clinic ON clinic.id = visit.clinic_id
    WHERE visit.course_id = ANY (%(courses)s::bigint[])
    AND (
        visit.status IN ('proposed', 'booked', 'arrived', 'checked-in')
        OR visit.status IN ('cancelled', 'noshow') AND visit.updated_at > %(since)s::timestamptz
    )
""")

SESSIONS: Final = Prepared("""
    SELECT session.course_id, session.id, session.ended_at, session.clinic_id, clinic.time_zone
    FROM courses_session AS session JOIN clinics_clinic AS clinic ON clinic.id = session.clinic_id
    WHERE session.course_id = ANY (%(courses)s::bigint[])
    AND session.status IN ('completed', 'stopped') AND session.ended_at > %(since)s::timestamptz
""")

POINTS: Final = Prepared("""
    SELECT course.id, point.id, point.channel, point.rank, point.allowed, point.opted_out,
        coalesce(nullif(point.time_zone, ''), home.time_zone), point.quiet_from, point.quiet_until,
        point.state = 'off'
    FROM courses_course AS course
    JOIN courses_contactpoint AS point ON point.patient_id = course.patient_id
    JOIN courses_patient AS patient ON patient.id = course.patient_id
    JOIN clinics_clinic AS home ON home.id = patient.home_clinic_id
    WHERE course.id = ANY (%(courses)s::bigint[])
""")

RECALLS: Final = Prepared("""
    SELECT course_id, id, occasion, kind, step, status, status_reason, due_at, version,
        withdrawn_by_id IS NOT NULL, appointment_id
    FROM courses_recall WHERE course_id = ANY (%(courses)s::bigint[])
""")

MESSAGES: Final = Prepared("""
    SELECT message.recall_id, message.id, message.contact_point_id, message.status,
        message.status_reason, message.due_at, message.attempt, message.version,
        message.may_have_left
    FROM courses_message AS message JOIN courses_recall AS recall ON recall.id = message.recall_id
    WHERE recall.course_id = ANY (%(courses)s::bigint[])
    AND recall.status IN ('active', 'on-hold', 'revoked')
""")


@dataclass(frozen=True, slots=True)
class CourseRecords:
    """All that the plan of one course depends on, and the rows that it has."""

    course_id: int
    chain_id: int
    facts: CourseFacts
    points: tuple[Point, ...]
    rows: tuple[RecallRow, ...]


def course_records(courses: Sequence[int], *, now: datetime) -> list[CourseRecords]:
    """The records of these courses, as of `now`. Seven queries."""
    asked: dict[str, Any] = {"courses": list(courses)}
    since = now - LOOK_BACK
    windows = _by_course(WINDOWS.rows(**asked), _window)
    visits = _by_course(VISITS.rows(**asked, since=since), _visit)
    sessions = _by_course(SESSIONS.rows(**asked, since=since), _session)
    points = _by_course(POINTS.rows(**asked), _point)
    recalls = _recalls(asked)
    return [
        CourseRecords(
            course_id=pk,
            chain_id=chain_id,
            facts=CourseFacts(
                ended=_ended(status, deceased=deceased),
                treatable=not gold,
                pause=_pause(*pause),
                windows=tuple(windows[pk]),
                visits=tuple(visits[pk]),
                sessions=tuple(sessions[pk]),
            ),
            points=tuple(points[pk]),
            rows=tuple(recalls[pk]),
        )
        for pk, chain_id, status, deceased, gold, *pause in COURSES.rows(**asked)
    ]


def course_facts(course: Course, *, now: datetime) -> CourseFacts:
    """What decides which messages a course (read with its patient) is to get. Three queries.

    Without its sessions.
    """
    asked: dict[str, Any] = {"courses": [course.pk]}
    newest = RecallPause.objects.filter(course=course.pk).order_by("-pk")
    pause = newest.values_list("pk", "until").first()
    return CourseFacts(
        ended=_ended(course.status, deceased=course.patient.deceased),
        treatable=not course.patient.gold_therapy_ever,
        pause=_pause(*(pause or (None, None))),
        windows=tuple(_by_course(WINDOWS.rows(**asked), _window)[course.pk]),
        visits=tuple(_by_course(VISITS.rows(**asked, since=now - LOOK_BACK), _visit)[course.pk]),
    )


def points_of_course(course_id: int) -> tuple[Point, ...]:
    """The contact points of the patient of a course. One query."""
    return tuple(_by_course(POINTS.rows(courses=[course_id]), _point)[course_id])


def _by_course(rows: Iterable[tuple[Any, ...]], read: Any) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = defaultdict(list)
    for course_id, *values in rows:
        found[course_id].append(read(*values))
    return found


def _recalls(asked: dict[str, Any]) -> dict[int, list[RecallRow]]:
    recalls = RECALLS.rows(**asked)
    messages = _by_course(MESSAGES.rows(**asked), _message) if recalls else {}
    found: dict[int, list[RecallRow]] = defaultdict(list)
    for course_id, pk, occasion, kind, step, status, reason, due_at, *others in recalls:
        version, by_person, appointment_id = others
        found[course_id].append(
            RecallRow(
                id=pk,
                key=(occasion, kind, step),
                status=RequestStatus(status),
                reason=reason,
                due_at=due_at,
                version=version,
                by_person=by_person,
                appointment_id=appointment_id,
                messages=tuple(messages.get(pk, ())),
            )
        )
    return found


def _pause(pk: int | None, until: Any) -> PauseFacts | None:
    return None if pk is None else PauseFacts(pk, until)


def _ended(status: str, *, deceased: bool) -> RecallReason | None:
    if deceased:
        return RecallReason.DECEASED
    return None if status == CourseStatus.ACTIVE else RecallReason.COURSE_NOT_RUNNING


def _window(pk: int, state: str, earliest_on: Any, clinic_id: int, zone: str) -> WindowFacts:
    return WindowFacts(pk, WindowState(state), earliest_on, Place(clinic_id, zone_named(zone)))


def _visit(pk: int, status: str, *rest: Any) -> VisitFacts:
    starts_at, ends_at, changed_at, held_until, clinic_id, zone = rest
    return VisitFacts(
        id=pk,
        status=AppointmentStatus(status),
        starts_at=starts_at,
        ends_at=ends_at,
        changed_at=changed_at,
        held_until=held_until,
        place=Place(clinic_id, zone_named(zone)),
    )


def _session(pk: int, ended_at: datetime, clinic_id: int, zone: str) -> SessionFacts:
    return SessionFacts(pk, ended_at, Place(clinic_id, zone_named(zone)))


def _point(pk: int, channel: str, rank: int, *rest: Any) -> Point:
    allowed, opted_out, zone, quiet_from, quiet_until, off = rest
    return Point(
        id=pk,
        channel=Channel(channel),
        rank=rank,
        allowed=frozenset(allowed),
        opted_out=frozenset(opted_out),
        zone=zone_named(zone),
        own_quiet=None if quiet_from is None else (quiet_from, quiet_until),
        off=off,
    )


def _message(pk: int, point_id: int, status: str, *rest: Any) -> MessageRow:
    reason, due_at, *others = rest
    return MessageRow(pk, point_id, MessageStatus(status), reason, due_at, *others)
