"""Messages about one appointment outside of any cadence, such as that it has been moved."""

from datetime import datetime

from core.db import step
from courses.models import Appointment, Recall
from courses.services.recalls.contact import message_plan
from courses.timing import visit_occasion
from courses.timing.words import NoticeTopic
from courses.vocabulary import AppointmentStatus, CourseStatus, RecallKind, RequestStatus


@step
def notice_queue(*, appointment: Appointment, topic: NoticeTopic, now: datetime) -> Recall | None:
    """Queue a message about an appointment as it is saved now; nothing is sent here.

    The rules are those of every message: consent to reminders, quiet hours, one effect (for each
    topic of each version of the appointment), the next contact point when one fails, the front
    desk (`on-hold`) when there is none. It is withdrawn when the visit is moved again, cancelled
    or over; one that would come after the start is dropped. The course must be locked; call it
    after the appointment was saved. None when nobody is to be told: the visit is not booked or
    over, the course is not running, the patient has died; or it is queued already.
    """
    course = appointment.course
    booked = appointment.status == AppointmentStatus.BOOKED and appointment.starts_at > now
    if not booked or course.status != CourseStatus.ACTIVE or course.patient.deceased:
        return None
    time = visit_occasion(appointment.pk, appointment.starts_at)
    occasion = f"{time}:{appointment.version}"
    same = Recall.objects.filter(kind=RecallKind.CHANGE, step=topic, occasion=occasion)
    if same.exists():
        return None
    recall = Recall(
        course=course,
        appointment=appointment,
        kind=RecallKind.CHANGE,
        step=topic,
        template=topic,
        occasion=occasion,
        due_at=now,
        status=RequestStatus.ACTIVE,
    )
    recall.save(force_insert=True)
    message_plan(recall=recall, now=now)
    return recall
