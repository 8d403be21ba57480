"""Everything a course of treatment stores. Concepts stand in modules; import them from here."""

from courses.models.answers import DeliveryReport, MessageTemplate, RecallPause, Reply
from courses.models.appointments import Appointment, AppointmentSeries
from courses.models.calibration import CalibrationDecision, CalibrationRun
from courses.models.consents import Consent
from courses.models.courses import Course
from courses.models.erasure import Erasure, ErasureDone
from courses.models.feeds import CalendarFeed
from courses.models.gaps import Gap, GapOffer
from courses.models.healing import HealingDecision, HealingWindow, HealingWindowVersion
from courses.models.patients import ContactPoint, Patient
from courses.models.precautions import PrecautionAnswers, PrecautionDecision
from courses.models.recalls import Message, Recall, RecallPlan, RecallPolicy
from courses.models.replans import Replan, ReplanOutage, ReplanRow, ReplanRun
from courses.models.sessions import Observation, Session, TreatmentPass
from courses.models.tattoos import ClearanceGrade, Tattoo, TattooPart
from courses.models.waiting import AcceptedClinic, WaitingListEntry

__all__ = [
    "AcceptedClinic",
    "Appointment",
    "AppointmentSeries",
    "CalendarFeed",
    "CalibrationDecision",
    "CalibrationRun",
    "ClearanceGrade",
    "Consent",
    "ContactPoint",
    "Course",
    "DeliveryReport",
    "Erasure",
    "ErasureDone",
    "Gap",
    "GapOffer",
    "HealingDecision",
    "HealingWindow",
    "HealingWindowVersion",
    "Message",
    "MessageTemplate",
    "Observation",
    "Patient",
    "PrecautionAnswers",
    "PrecautionDecision",
    "Recall",
    "RecallPause",
    "RecallPlan",
    "RecallPolicy",
    "Replan",
    "ReplanOutage",
    "ReplanRow",
    "ReplanRun",
    "Reply",
    "Session",
    "Tattoo",
    "TattooPart",
    "TreatmentPass",
    "WaitingListEntry",
]
