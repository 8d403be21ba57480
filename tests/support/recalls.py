"""A patient whose skin heals, ways out that only remember, and the ticks as one-liners."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import time_machine

from clinics.models import Clinic
from clinics.vocabulary import Role
from courses.channels import Delivery, Outgoing, Text
from courses.models import ContactPoint, Course, HealingWindow, Message, Patient, Recall, Session
from courses.selectors.visits import Place, Visit
from courses.services.booking import appointment_book
from courses.services.recalls import ticks
from courses.slots import Timeline
from courses.vocabulary import Channel
from devices.models import Fitting
from tests.support.booking import NOW, make_running_course, make_stage
from tests.support.courses import (
    Ward,
    make_contact_point,
    make_session,
    make_ward,
    make_window,
)
from tests.support.factories import make_actor

TREATED_AT = datetime(2026, 1, 12, 10, 0, tzinfo=UTC)
"""Six weeks before Monday, 23 February 2026: then the plain window closes."""


@dataclass(frozen=True, slots=True)
class Scene:
    """A course after one session, its open window, and the patient's first contact point."""

    ward: Ward
    window: HealingWindow
    point: ContactPoint

    @property
    def course(self) -> Course:
        return self.ward.course

    @property
    def patient(self) -> Patient:
        return self.ward.course.patient

    @property
    def closes_at(self) -> datetime:
        assert self.window.closes_at is not None
        return self.window.closes_at

    @property
    def noon(self) -> datetime:
        """Twelve hours into the closing day: everything planned for that day is due."""
        return self.closes_at + timedelta(hours=12)

    @property
    def recall(self) -> Recall:
        """The first step that there is a row of."""
        return Recall.objects.filter(course=self.course).order_by("due_at", "pk")[0]

    @property
    def message(self) -> Message:
        """The message of that step; there must be just one."""
        return Message.objects.get(recall=self.recall)

    @property
    def steps(self) -> list[tuple[str, str]]:
        """Step and status of every row, as they fall due."""
        rows = Recall.objects.filter(course=self.course).order_by("due_at", "pk")
        return [(row.step, row.status) for row in rows]


def make_scene(
    ward: Ward | None = None, *, treated_at: datetime = TREATED_AT, **contact: Any
) -> Scene:
    """Somebody treated on 12 January who can be reached by e-mail unless told otherwise.

    Of several tattoos the first one was treated.
    """
    ward = ward or make_ward()
    window = make_window(make_session(ward, treated_at, parts=ward.parts[:1]))
    return Scene(
        ward=ward,
        window=window,
        point=make_contact_point(ward.course.patient, **contact),
    )


def make_invited(clinic: Clinic | None = None, **patient: Any) -> Message:
    """What left at `NOW` to somebody whose skin has healed, where there are times to choose from.

    `patient`: what is to be true of who was treated.
    """
    stage = make_stage(clinic=clinic)
    person = stage.course.patient
    for name, value in patient.items():
        setattr(person, name, value)
    person.save()
    make_contact_point(person)
    ward = Ward(
        clinic=stage.clinic,
        room=stage.room,
        laser=stage.laser,
        handpiece=stage.handpiece,
        operator=stage.operator,
        course=stage.course,
    )
    make_window(make_session(ward, NOW - timedelta(days=60)))
    with time_machine.travel(NOW, tick=False):
        open_due(NOW)
        send_due(NOW)
    return Message.objects.get(recall__course=stage.course, status="completed")


def take_time(session: Session, start: datetime, *, now: datetime) -> None:
    """Somebody else is booked for that time where and by whom that session was."""
    fitting = Fitting.objects.get(laser=session.laser_id)
    visit = Visit(
        starts_at=start,
        timeline=Timeline.whole_visit(30),
        place=Place(
            clinic_id=session.clinic_id,
            room_id=session.room_id,
            operator_id=session.operator_id,
            laser_id=session.laser_id,
            handpiece_ids=(fitting.handpiece_id,),
        ),
        wavelengths_nm=(1064,),
    )
    other = make_running_course(session.clinic)
    desk = make_actor(Role.FRONT_DESK, clinic=session.clinic)
    appointment_book(course_id=other.pk, visit=visit, actor=desk, now=now)


@dataclass(slots=True)
class Remembering:
    """A way out that remembers what it was given; `troubles` are raised first, one a send."""

    sent: list[tuple[str, Outgoing, Text]] = field(default_factory=list)
    honours_keys: bool = True
    troubles: list[Exception] = field(default_factory=list)

    def send(self, message: Outgoing, *, text: Text, key: str) -> Delivery:
        if self.troubles:
            raise self.troubles.pop(0)
        self.sent.append((key, message, text))
        return Delivery(reference=f"ref-{len(self.sent)}")

    @property
    def addresses(self) -> list[str]:
        return [outgoing.address for _, outgoing, _ in self.sent]


def open_due(now: datetime) -> ticks.Tally:
    """The tick that closes windows and plans."""
    return ticks.recalls_open_due(now=now)


def send_due(now: datetime, way: Any = None) -> ticks.Tally:
    """The tick that sends, with the clock standing still."""
    way = Remembering() if way is None else way
    senders = {Channel.EMAIL: way, Channel.SMS: way}
    return ticks.messages_send_due(clock=lambda: now, senders=senders)


def statuses(rows: Iterable[Any]) -> list[tuple[str, str]]:
    """Status and reason of rows, as they come."""
    return [(row.status, row.status_reason) for row in rows]
