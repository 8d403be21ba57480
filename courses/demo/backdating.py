"""When rows of the past were written: in the past. What was told when decides who is told again."""

from datetime import timedelta

from django.db.models import F
from django.db.models.functions import Coalesce, Least

from clinics.models import Chain
from core.db import step
from courses.demo.moment import Moment
from courses.models import Appointment, Message, Recall, Session
from courses.vocabulary import AppointmentStatus

BOOKED_AHEAD = timedelta(days=21)


@step
def backdate(chain: Chain, moment: Moment) -> None:
    """Set when the chain's appointments, sessions, recalls and messages were written."""
    own = {"course__chain": chain}
    yesterday = moment.now - timedelta(days=1)
    booked_at = Least(F("starts_at") - BOOKED_AHEAD, yesterday)
    appointments = Appointment.objects.filter(**own)
    appointments.update(created_at=booked_at, updated_at=booked_at)
    past = appointments.exclude(status=AppointmentStatus.BOOKED)
    past.update(updated_at=F("starts_at"))
    Session.objects.filter(**own).update(created_at=F("ended_at"), updated_at=F("ended_at"))
    told_by_now = Recall.objects.filter(**own, due_at__lte=moment.now)
    told_by_now.update(created_at=F("due_at"), updated_at=F("due_at"))
    sent = Message.objects.filter(recall__course__chain=chain, sent_at__lte=moment.now)
    sent.update(created_at=F("due_at"), updated_at=Coalesce("sent_at", "due_at"))
