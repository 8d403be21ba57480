"""The front desk's list: every running course whose skin is ready and that has no visit."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from functools import reduce
from operator import or_
from typing import Any, Final

from django.db.models import (
    BooleanField,
    Count,
    DateField,
    Exists,
    ExpressionWrapper,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
)
from django.db.models.functions import Coalesce

from courses.models import Appointment, Course, Message, Recall, Reply, Session
from courses.timing.outlook import SETTLED_AFTER, STANDING
from courses.timing.words import DeskState
from courses.vocabulary import (
    AppointmentStatus,
    MessageStatus,
    RecallKind,
    RequestStatus,
    SessionStatus,
)

# Whoever has not answered an invitation for so long is said not to answer.
SILENT_AFTER: Final = timedelta(days=7)
# Invitations and answers count from so long before the window closed.
AROUND: Final = timedelta(days=60)
# The list holds no course without it.
READY_ON: Final = ExpressionWrapper(F("recall_plan__ready_on"), output_field=DateField())
TREATED: Final = (SessionStatus.COMPLETED, SessionStatus.STOPPED)
# Visits that were booked and led to no session (yet).
BOOKED_ONCE: Final = (*STANDING, AppointmentStatus.CANCELLED, AppointmentStatus.NOSHOW)


def desk_list(rows: QuerySet[Course], *, now: datetime) -> QuerySet[Course]:
    """Of these courses those that are ready and not booked, with `ready_on`.

    That is when the last of the newest windows of its tattoos closed. It is kept in order beside
    what is booked, so that a page costs what it shows and what its filters skip.
    """
    unbooked = Q(recall_plan__booked_until__isnull=True) | Q(
        recall_plan__booked_until__lte=now - SETTLED_AFTER
    )
    found: QuerySet[Course] = rows.filter(unbooked, recall_plan__ready_on__isnull=False).annotate(
        ready_on=READY_ON
    )
    return found


def desk_rows(rows: QuerySet[Course], *, now: datetime) -> QuerySet[Course]:
    """These courses of the list (a page of it), each with where it stands. One query."""
    found: QuerySet[Course] = rows.annotate(
        answered=Exists(_answered()),
        to_call=Exists(_calls()),
        unreached=Exists(_unreached()),
        last_sent_at=Subquery(_sent().order_by("-sent_at").values("sent_at")[:1]),
        last_reply=Subquery(_replies().order_by("-pk").values("kind")[:1]),
        unanswered=_count(_sent()),
        no_shows=_count(
            Appointment.objects.filter(
                course=OuterRef("pk"),
                status=AppointmentStatus.NOSHOW,
                starts_at__gt=now - timedelta(days=365),
            )
        ),
        last_session_at=Subquery(_treated().order_by("-started_at").values("started_at")[:1]),
        sessions_done=_count(_treated()),
        never_booked_again=~Exists(_booked_again()),
    )
    return found


def with_sessions_done(rows: QuerySet[Course], sessions: int) -> QuerySet[Course]:
    """Of these courses those after just so many sessions that treated skin."""
    found: QuerySet[Course] = rows.annotate(sessions_done=_count(_treated())).filter(
        sessions_done=sessions
    )
    return found


def desk_state(course: Any, *, now: datetime) -> DeskState:
    """Where a course of the list stands."""
    if course.answered:
        return DeskState.ANSWERED
    if course.to_call:
        return DeskState.TO_CALL
    if course.unreached:
        return DeskState.UNREACHABLE
    if course.last_sent_at is None:
        return DeskState.DUE
    silent = course.last_sent_at <= now - SILENT_AFTER
    return DeskState.NO_ANSWER if silent else DeskState.INVITED


def in_states(
    rows: QuerySet[Course], states: Iterable[DeskState], *, now: datetime
) -> QuerySet[Course]:
    """Of the courses of the list those that stand so: the same as `desk_state`, as conditions.

    What few rows have (a call, nobody to reach, an invitation of this week) is where PostgreSQL
    may begin; all else is asked row by row in the order of the list, until the page is full.
    """
    asked = rows.alias(
        answered=_any(_answered()),
        to_call=_any(_calls()),
        unreached=_any(_unreached()),
        sent=_any(_sent()),
    )
    found: QuerySet[Course] = asked.filter(reduce(or_, (_stands(one, now=now) for one in states)))
    return found


def never_booked_again(rows: QuerySet[Course], *, told: bool) -> QuerySet[Course]:
    """Of the courses of the list those with (or without) a visit booked after the last session."""
    found: QuerySet[Course] = rows.alias(again=_any(_booked_again())).filter(again=not told)
    return found


def _stands(state: DeskState, *, now: datetime) -> Q:
    lately = Q(Exists(_sent().filter(sent_at__gt=now - SILENT_AFTER)))
    silent = Q(answered=False, to_call=False, unreached=False)
    match state:
        case DeskState.ANSWERED:
            return Q(answered=True)
        case DeskState.TO_CALL:
            return Q(Exists(_calls())) & Q(answered=False)
        case DeskState.UNREACHABLE:
            return Q(Exists(_unreached())) & Q(answered=False, to_call=False)
        case DeskState.DUE:
            return silent & Q(sent=False)
        case DeskState.INVITED:
            return silent & lately
        case DeskState.NO_ANSWER:
            return silent & Q(sent=True) & ~lately


def _any(rows: QuerySet[Any]) -> Coalesce:
    """Whether there is a row; asked for one course at a time, never for all of them at once."""
    one = rows.order_by().annotate(one=Value(True)).values("one")[:1]
    return Coalesce(Subquery(one, output_field=BooleanField()), Value(False))


def _sent() -> QuerySet[Message]:
    """Invitations about the present window that reached somebody."""
    sent: Any = Message.objects.filter(
        recall__course=OuterRef("pk"),
        recall__kind=RecallKind.INVITATION,
        status=MessageStatus.COMPLETED,
        sent_at__gte=OuterRef("recall_plan__ready_on") - AROUND,
    )
    return sent  # type: ignore[no-any-return]


def _replies() -> QuerySet[Reply]:
    replies: Any = Reply.objects.filter(
        message__recall__course=OuterRef("pk"),
        message__recall__kind=RecallKind.INVITATION,
        replied_at__gte=OuterRef("recall_plan__ready_on") - AROUND,
    )
    return replies  # type: ignore[no-any-return]


def _answered() -> QuerySet[Reply]:
    """Answers after which no invitation went out."""
    later = Message.objects.filter(
        recall__course=OuterRef("message__recall__course"),
        recall__kind=RecallKind.INVITATION,
        status=MessageStatus.COMPLETED,
        sent_at__gt=OuterRef("replied_at"),
    )
    answered: Any = _replies().exclude(Exists(later))
    return answered  # type: ignore[no-any-return]


def _calls() -> QuerySet[Message]:
    calls: Any = Message.objects.filter(recall__course=OuterRef("pk"), status=MessageStatus.ON_HOLD)
    return calls  # type: ignore[no-any-return]


def _unreached() -> QuerySet[Recall]:
    unreached: Any = Recall.objects.filter(
        course=OuterRef("pk"), status=RequestStatus.ON_HOLD, kind=RecallKind.INVITATION
    )
    return unreached  # type: ignore[no-any-return]


def _treated() -> QuerySet[Session]:
    treated: Any = Session.objects.filter(course=OuterRef("pk"), status__in=TREATED)
    return treated  # type: ignore[no-any-return]


def _booked_again() -> QuerySet[Appointment]:
    """Visits after every session, booked once, also those that were cancelled or missed."""
    as_late = Session.objects.filter(
        course=OuterRef("course"), status__in=TREATED, started_at__gte=OuterRef("starts_at")
    )
    again: Any = Appointment.objects.filter(course=OuterRef("pk"), status__in=BOOKED_ONCE).exclude(
        Exists(as_late)
    )
    return again  # type: ignore[no-any-return]


def _count(rows: QuerySet[Any]) -> Coalesce:
    counted = rows.order_by().annotate(one=Value(1)).values("one").annotate(n=Count("pk"))
    return Coalesce(Subquery(counted.values("n")[:1], output_field=IntegerField()), Value(0))
