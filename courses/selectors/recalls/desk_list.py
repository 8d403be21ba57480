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
from courses.timing.differences import LIVE
from courses.timing.outlook import SETTLED_AFTER, STANDING
from courses.timing.words import DeskState, Standing
from courses.vocabulary import (
    AppointmentStatus,
    MessageStatus,
    RecallKind,
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
        standing=F("recall_plan__standing"),
        last_sent_at=F("recall_plan__last_sent_at"),
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
    if course.standing != Standing.INVITED:
        return DeskState(course.standing)
    silent = course.last_sent_at <= now - SILENT_AFTER
    return DeskState.NO_ANSWER if silent else DeskState.INVITED


def in_states(
    rows: QuerySet[Course], states: Iterable[DeskState], *, now: datetime
) -> QuerySet[Course]:
    """Of the courses of the list those that stand so: the same as `desk_state`, as conditions.

    Where each stands is kept in an index in the order of the list, so that a page costs what it
    shows also for a state that hardly anybody is in. Whether an invitation is without an answer
    is read from that index.
    """
    silent = Q(recall_plan__last_sent_at__lte=now - SILENT_AFTER)
    wanted = {
        DeskState.INVITED: Q(recall_plan__standing=Standing.INVITED) & ~silent,
        DeskState.NO_ANSWER: Q(recall_plan__standing=Standing.INVITED) & silent,
    }
    asked = [
        wanted[one] if one in wanted else Q(recall_plan__standing=Standing(one)) for one in states
    ]
    found: QuerySet[Course] = rows.filter(reduce(or_, asked))
    return found


def put_off(rows: QuerySet[Course], *, told: bool, now: datetime) -> QuerySet[Course]:
    """Of the courses of the list those whose invitations are put off beyond today (UTC), or not."""
    running = Q(recall_plan__paused_until__gt=now.date())
    over = Q(recall_plan__paused_until__isnull=True) | Q(recall_plan__paused_until__lte=now.date())
    found: QuerySet[Course] = rows.filter(running if told else over)
    return found


def recalls_shown() -> QuerySet[Recall]:
    """The recalls that a row of the list is about: invitations to the present window, and calls."""
    present: Any = Q(
        kind=RecallKind.INVITATION, due_at__gte=F("course__recall_plan__ready_on") - AROUND
    )
    found: QuerySet[Recall] = Recall.objects.filter(Q(status__in=LIVE) | present)
    return found.order_by("due_at", "pk")


def recall_to_act_on(recalls: Iterable[Recall]) -> Recall | None:
    """Of `recalls_shown` of one course the next invitation that stands, else the last there was."""
    invitations = [one for one in recalls if one.kind == RecallKind.INVITATION]
    standing = [one for one in invitations if one.status in LIVE]
    return next(iter(standing or reversed(invitations)), None)


def never_booked_again(rows: QuerySet[Course], *, told: bool) -> QuerySet[Course]:
    """Of the courses of the list those with (or without) a visit booked after the last session."""
    found: QuerySet[Course] = rows.alias(again=_any(_booked_again())).filter(again=not told)
    return found


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
