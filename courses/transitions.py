"""Which status of a course, session, appointment, recall or message may follow which.

The codes are HL7 FHIR's; FHIR leaves the steps to the workflow, so these are this service's own.
"""

from typing import Final

from core.transitions import Transitions
from courses.vocabulary import AppointmentStatus as Appointment
from courses.vocabulary import CalibrationStatus as Calibration
from courses.vocabulary import CourseStatus as Course
from courses.vocabulary import GapStatus as Gap
from courses.vocabulary import MessageStatus as Message
from courses.vocabulary import OfferStatus as Offer
from courses.vocabulary import ReplanRowStatus as Row
from courses.vocabulary import ReplanStatus as Replan
from courses.vocabulary import RequestStatus as Request
from courses.vocabulary import SessionStatus as Session
from courses.vocabulary import TaskStatus as Task
from courses.vocabulary import WaitingStatus as Waiting

COURSE: Final[Transitions] = {
    Course.DRAFT: (Course.ACTIVE, Course.REVOKED, Course.ENTERED_IN_ERROR),
    Course.ACTIVE: (
        Course.ON_HOLD,
        Course.REVOKED,
        Course.COMPLETED,
        Course.ENTERED_IN_ERROR,
    ),
    Course.ON_HOLD: (Course.ACTIVE, Course.REVOKED, Course.COMPLETED, Course.ENTERED_IN_ERROR),
    Course.REVOKED: (Course.ENTERED_IN_ERROR,),
    Course.COMPLETED: (Course.ENTERED_IN_ERROR,),
}

SESSION: Final[Transitions] = {
    Session.PREPARATION: (
        Session.IN_PROGRESS,
        Session.NOT_DONE,
        Session.COMPLETED,
        Session.STOPPED,
        Session.ENTERED_IN_ERROR,
    ),
    Session.IN_PROGRESS: (Session.COMPLETED, Session.STOPPED, Session.ENTERED_IN_ERROR),
    Session.NOT_DONE: (Session.ENTERED_IN_ERROR,),
    Session.STOPPED: (Session.ENTERED_IN_ERROR,),
    Session.COMPLETED: (Session.ENTERED_IN_ERROR,),
}

APPOINTMENT: Final[Transitions] = {
    Appointment.PROPOSED: (
        Appointment.BOOKED,
        Appointment.CANCELLED,
        Appointment.ENTERED_IN_ERROR,
    ),
    Appointment.BOOKED: (
        Appointment.ARRIVED,
        Appointment.FULFILLED,
        Appointment.CANCELLED,
        Appointment.NOSHOW,
        Appointment.ENTERED_IN_ERROR,
    ),
    Appointment.ARRIVED: (
        Appointment.BOOKED,
        Appointment.CHECKED_IN,
        Appointment.FULFILLED,
        Appointment.CANCELLED,
        Appointment.ENTERED_IN_ERROR,
    ),
    Appointment.CHECKED_IN: (
        Appointment.FULFILLED,
        Appointment.CANCELLED,
        Appointment.ENTERED_IN_ERROR,
    ),
    Appointment.NOSHOW: (Appointment.ENTERED_IN_ERROR,),
    Appointment.FULFILLED: (Appointment.ENTERED_IN_ERROR,),
    Appointment.CANCELLED: (Appointment.ENTERED_IN_ERROR,),
    Appointment.WAITLIST: (
        Appointment.PROPOSED,
        Appointment.BOOKED,
        Appointment.CANCELLED,
        Appointment.ENTERED_IN_ERROR,
    ),
}

RECALL: Final[Transitions] = {
    Request.DRAFT: (Request.ACTIVE, Request.REVOKED, Request.ENTERED_IN_ERROR),
    Request.ACTIVE: (
        Request.ON_HOLD,
        Request.REVOKED,
        Request.COMPLETED,
        Request.ENTERED_IN_ERROR,
    ),
    # A message whose outcome nobody knew had arrived.
    Request.ON_HOLD: (
        Request.ACTIVE,
        Request.COMPLETED,
        Request.REVOKED,
        Request.ENTERED_IN_ERROR,
    ),
    # A message that bounced after it had left was no message.
    Request.COMPLETED: (Request.ACTIVE, Request.ENTERED_IN_ERROR),
    # What the planner withdrew it takes back when it is wanted again.
    Request.REVOKED: (Request.ACTIVE, Request.ON_HOLD, Request.ENTERED_IN_ERROR),
}

MESSAGE: Final[Transitions] = {
    Message.PREPARATION: (
        Message.IN_PROGRESS,
        Message.ON_HOLD,
        Message.NOT_DONE,
        Message.STOPPED,
        Message.COMPLETED,
        Message.ENTERED_IN_ERROR,
    ),
    Message.ON_HOLD: (
        Message.PREPARATION,
        Message.NOT_DONE,
        Message.STOPPED,
        Message.COMPLETED,
        Message.ENTERED_IN_ERROR,
    ),
    Message.IN_PROGRESS: (
        Message.PREPARATION,
        Message.ON_HOLD,
        Message.NOT_DONE,
        Message.STOPPED,
        Message.COMPLETED,
        Message.ENTERED_IN_ERROR,
    ),
    Message.NOT_DONE: (Message.PREPARATION, Message.ENTERED_IN_ERROR),
    Message.STOPPED: (Message.PREPARATION, Message.COMPLETED, Message.ENTERED_IN_ERROR),
    Message.COMPLETED: (Message.STOPPED, Message.ENTERED_IN_ERROR),
}

CALIBRATION: Final[Transitions] = {
    Calibration.PROPOSED: (Calibration.ACCEPTED, Calibration.REFUSED),
    Calibration.ACCEPTED: (Calibration.SUPERSEDED, Calibration.WITHDRAWN),
}

WAITING_LIST: Final[Transitions] = {
    Waiting.WAITLIST: (Waiting.BOOKED, Waiting.CANCELLED),
}

GAP: Final[Transitions] = {
    Gap.OFFERING: (Gap.FILLED, Gap.EXHAUSTED, Gap.WITHDRAWN),
}

GAP_OFFER: Final[Transitions] = {
    Offer.QUEUED: (Offer.OFFERED, Offer.PASSED_OVER, Offer.WITHDRAWN),
    Offer.OFFERED: (Offer.ACCEPTED, Offer.DECLINED, Offer.EXPIRED, Offer.WITHDRAWN),
}

REPLAN: Final[Transitions] = {
    Replan.PLANNING: (Replan.PROPOSED, Replan.FAILED, Replan.CANCELLED),
    Replan.PROPOSED: (Replan.PLANNING, Replan.APPLIED, Replan.CANCELLED),
    Replan.FAILED: (Replan.PLANNING, Replan.CANCELLED),
}

REPLAN_RUN: Final[Transitions] = {
    Task.REQUESTED: (Task.IN_PROGRESS, Task.CANCELLED),
    Task.IN_PROGRESS: (Task.COMPLETED, Task.FAILED, Task.CANCELLED),
}

REPLAN_ROW: Final[Transitions] = {
    Row.PLACED: (Row.MOVED,),
    Row.UNPLACED: (Row.CANCELLED, Row.WAITING),
}
