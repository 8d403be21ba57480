"""The step a recall stands for, where it happens, and the contact point as the timing sees it."""

from clinics.hours import zone_named
from clinics.models import Clinic
from courses.models import ContactPoint, Recall
from courses.selectors.recalls.policies import cadence_numbered
from courses.timing import Cadence, CadenceStep
from courses.timing.cadence import PLANNED
from courses.timing.points import Point
from courses.timing.words import ClosedDays, ContactState
from courses.vocabulary import Channel, RecallKind


def cadence_of_recall(recall: Recall) -> Cadence:
    """The version of the cadence that planned the recall. A query for a version not seen yet."""
    return cadence_numbered(recall.course.chain_id, recall.cadence)


def step_of(recall: Recall) -> CadenceStep:
    """The step as the policy of then had it. A notice is a step of its own, by any channel."""
    kind = RecallKind(recall.kind)
    found = cadence_of_recall(recall).step(kind, recall.step)
    if found is not None and kind in PLANNED:
        return found
    return CadenceStep(
        kind=kind,
        key=recall.step,
        days=0,
        template=recall.template,
        closed_days=ClosedDays.SEND,
        desk=True,
    )


def clinic_of(recall: Recall) -> Clinic:
    """Where it happens: the visit's clinic, or that of the session it follows."""
    if recall.appointment is not None:
        return recall.appointment.clinic
    if recall.session is not None:
        return recall.session.clinic
    return recall.window.session.clinic if recall.window is not None else recall.course.clinic


def point_of(point: ContactPoint) -> Point:
    """A contact point, read with its patient's home clinic, as the timing sees it."""
    start, end = point.quiet_from, point.quiet_until
    return Point(
        id=point.pk,
        channel=Channel(point.channel),
        rank=point.rank,
        allowed=frozenset(point.allowed),
        opted_out=frozenset(point.opted_out),
        zone=zone_named(point.time_zone or point.patient.home_clinic.time_zone),
        own_quiet=None if start is None or end is None else (start, end),
        off=point.state == ContactState.OFF,
    )
