"""The front desk puts invitations off."""

from datetime import date, datetime

from clinics.access import Actor
from core.db import command
from courses import locks
from courses.errors import CourseUnknown
from courses.models import RecallPause
from courses.services.recalls.replies import check_until


@command
def recall_snooze(
    *, course_id: int, until: date, reason: str, actor: Actor, now: datetime
) -> RecallPause:
    """Invite to a course no more before a day; from then on invitations begin anew.

    The newest pause counts. Raises CourseUnknown, NotAllowed, FieldsMalformed.
    """
    course = locks.lock_course(pk=course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=course_id)
    actor.require_at(course.clinic_id, "recall.write")
    check_until(until, now=now)
    return RecallPause.objects.create(
        course=course, until=until, reason=reason, set_by_id=actor.staff_id, set_at=now
    )
