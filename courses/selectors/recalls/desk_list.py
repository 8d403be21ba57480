"""The front desk's list: every running course whose skin is ready and that has no visit."""

from datetime import datetime, timedelta
from typing import Any, Final

from django.db.models import (
    Case,
    CharField,
    Count,
    DateField,
    Exists,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)
from django.db.models.functions import Coalesce

from courses.models import Appointment, Course, HealingWindow, Message, Recall, Reply, Session
from courses.timing.outlook import STANDING
from courses.timing.words import DeskState
from courses.vocabulary import (
    AppointmentStatus,
    CourseStatus,
    MessageStatus,
    RecallKind,
    RequestStatus,
    SessionStatus,
    WindowState,
)

# Whoever has not answered an invitation for so long is said not to answer.
SILENT_AFTER: Final = timedelta(days=7)


def desk_list(rows: QuerySet[Course], *, now: datetime) -> QuerySet[Course]:
    """Of these courses those that are ready and not booked, each with where it stands.

    `ready_on` is when the newest window closed, `desk_state` a DeskState, `sessions_done`,
    `no_shows` and `unanswered` count. One query whatever there is; it costs what the filters of
    `rows` leave, so a clinic should be named.
    """
    window = HealingWindow.objects.filter(course=OuterRef("pk")).order_by("-pk")
    booked = Appointment.objects.filter(
        course=OuterRef("pk"), status__in=STANDING, ends_at__gt=now - timedelta(days=1)
    )
    newest = rows.filter(status=CourseStatus.ACTIVE, patient__deceased=False).annotate(
        window_state=Subquery(window.values("state")[:1]),
        ready_on=Subquery(window.values("earliest_on")[:1], output_field=DateField()),
    )
    ready = newest.filter(window_state=WindowState.CLOSED).exclude(Exists(booked))
    found: QuerySet[Course] = ready.annotate(
        last_sent_at=Subquery(_sent().order_by("-sent_at").values("sent_at")[:1]),
        last_reply=Subquery(_replies().order_by("-pk").values("kind")[:1]),
        last_reply_at=Subquery(_replies().order_by("-pk").values("replied_at")[:1]),
        unanswered=Coalesce(_count(_sent()), Value(0)),
        no_shows=Coalesce(
            _count(
                Appointment.objects.filter(
                    course=OuterRef("pk"),
                    status=AppointmentStatus.NOSHOW,
                    starts_at__gt=now - timedelta(days=365),
                )
            ),
            Value(0),
        ),
        sessions_done=Coalesce(
            _count(
                Session.objects.filter(
                    course=OuterRef("pk"),
                    status__in=[SessionStatus.COMPLETED, SessionStatus.STOPPED],
                )
            ),
            Value(0),
        ),
        to_call=Exists(
            Message.objects.filter(recall__course=OuterRef("pk"), status=MessageStatus.ON_HOLD)
        ),
        unreached=Exists(
            Recall.objects.filter(
                course=OuterRef("pk"),
                status=RequestStatus.ON_HOLD,
                kind=RecallKind.INVITATION,
            )
        ),
    ).annotate(desk_state=_state(now))
    return found


def _state(now: datetime) -> Case:
    replied = Q(last_reply_at__isnull=False) & (
        Q(last_sent_at__isnull=True) | Q(last_reply_at__gte=F("last_sent_at"))
    )
    return Case(
        When(replied, then=Value(DeskState.ANSWERED.value)),
        When(Q(to_call=True), then=Value(DeskState.TO_CALL.value)),
        When(Q(unreached=True), then=Value(DeskState.UNREACHABLE.value)),
        When(last_sent_at__isnull=True, then=Value(DeskState.DUE.value)),
        When(last_sent_at__lte=now - SILENT_AFTER, then=Value(DeskState.NO_ANSWER.value)),
        default=Value(DeskState.INVITED.value),
        output_field=CharField(),
    )


def _sent() -> QuerySet[Message]:
    """Invitations about the present window that reached somebody."""
    sent: Any = Message.objects.filter(
        recall__course=OuterRef("pk"),
        recall__kind=RecallKind.INVITATION,
        status=MessageStatus.COMPLETED,
        sent_at__date__gte=OuterRef("ready_on") - timedelta(days=60),
    )
    return sent  # type: ignore[no-any-return]


def _replies() -> QuerySet[Reply]:
    replies: Any = Reply.objects.filter(
        message__recall__course=OuterRef("pk"),
        message__recall__kind=RecallKind.INVITATION,
        replied_at__date__gte=OuterRef("ready_on") - timedelta(days=60),
    )
    return replies  # type: ignore[no-any-return]


def _count(rows: QuerySet[Any]) -> Subquery:
    counted = rows.order_by().annotate(one=Value(1)).values("one").annotate(n=Count("pk"))
    return Subquery(counted.values("n")[:1], output_field=IntegerField())
