"""The waiting list: courses that wait for a visit, or for an earlier one than they have."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from clinics.access import Actor
from core.db import command, constraint_as
from courses import locks
from courses.errors import (
    AlreadyWaiting,
    CourseNotRunning,
    CourseUnknown,
    EntryHasOffer,
    EntryUnknown,
    StatusStepRefused,
    input_refused,
)
from courses.models import AcceptedClinic, WaitingListEntry
from courses.slots import TimeWish, check_wishes
from courses.vocabulary import CourseStatus, OfferStatus, WaitingStatus


@dataclass(frozen=True, slots=True)
class Wait:
    """What a patient waits for. `clinics` maps accepted clinics to a preference, 0..1."""

    clinics: Mapping[int, float]
    wishes: Sequence[TimeWish] = ()
    technique: Mapping[str, Any] = field(default_factory=dict)
    notice_hours: int = 0
    note: str = ""


@command
def waiting_list_add(
    *, course_id: int, wait: Wait, actor: Actor, now: datetime
) -> WaitingListEntry:
    """Put a course on the waiting list.

    Raises CourseUnknown, CourseNotRunning, AlreadyWaiting, InputRefused (a wish that no visit
    could meet), NotAllowed.
    """
    actor.require("waiting_list.write")
    with input_refused():
        check_wishes(tuple(wait.wishes))
    course = locks.lock_course(pk=course_id)
    if course is None or course.chain_id != actor.chain_id:
        raise CourseUnknown(course=course_id)
    if course.status != CourseStatus.ACTIVE:
        raise CourseNotRunning(course=course.pk, status=course.status)
    entry = WaitingListEntry(
        course=course,
        since=now,
        wishes=[_wish_json(wish) for wish in wait.wishes],
        technique=dict(wait.technique),
        notice_hours=wait.notice_hours,
        note=wait.note,
        entered_by_id=actor.staff_id,
    )
    with constraint_as(waitinglistentry_once_per_course=AlreadyWaiting(course=course.pk)):
        entry.save(force_insert=True)
    AcceptedClinic.objects.bulk_create(
        AcceptedClinic(entry=entry, clinic_id=pk, preference=preference)
        for pk, preference in sorted(wait.clinics.items())
    )
    return entry


@command
def waiting_list_remove(
    *, entry_id: int, actor: Actor, expected_version: int | None = None
) -> WaitingListEntry:
    """Take an entry off the waiting list; the row stays, as cancelled.

    Raises EntryUnknown, Stale, StatusStepRefused (it is off already), EntryHasOffer.
    """
    entry = locks.lock_waiting_list_entry(pk=entry_id)
    if entry is None or entry.course.chain_id != actor.chain_id:
        raise EntryUnknown(entry=entry_id)
    actor.require("waiting_list.write")
    entry.check_version(expected_version)
    if entry.status != WaitingStatus.WAITLIST:
        raise StatusStepRefused(status=entry.status, wanted=WaitingStatus.CANCELLED)
    for offer_id in entry.offers.filter(status=OfferStatus.OFFERED).values_list("pk", flat=True):
        raise EntryHasOffer(entry=entry.pk, offer=offer_id)
    entry.status = WaitingStatus.CANCELLED
    entry.save()
    return entry


def _wish_json(wish: TimeWish) -> dict[str, Any]:
    return {
        "weekdays": sorted(wish.weekdays),
        "since": wish.since.isoformat(),
        "until": wish.until.isoformat(),
    }
