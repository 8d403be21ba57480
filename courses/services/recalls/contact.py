"""The next way to reach the patient of a recall."""

from datetime import datetime

from core.db import step
from courses.models import Message, Recall
from courses.selectors.recalls.readiness import quiet_hours_of, usable_contact_points
from courses.timing import out_of_quiet
from courses.vocabulary import MessageStatus, RecallReason, RequestStatus


@step
def message_plan(*, recall: Recall, now: datetime) -> Message | None:
    """Plan a message to the first contact point not tried yet, outside of its quiet hours.

    Without one the (locked or new) recall goes on hold with the reason, for the front desk.
    """
    point = usable_contact_points(recall).first()
    if point is None:
        tried = recall.messages.exists()
        recall.status = RequestStatus.ON_HOLD
        recall.status_reason = RecallReason.UNREACHABLE if tried else RecallReason.NO_CONTACT_POINT
        recall.save()
        return None
    return Message.objects.create(
        recall=recall,
        contact_point=point,
        channel=point.channel,
        status=MessageStatus.PREPARATION,
        due_at=out_of_quiet(max(recall.due_at, now), quiet=quiet_hours_of(point)),
    )
