"""Row locks of courses, always taken in one order.

The caller's own row (for holds), re-plan, its run, gap, patient, course, tattoo, appointment,
waiting list entry, session, observation, healing window, recall plan, recall, message, then the
laser and, last of all, resources.
What workers claim they claim without waiting, so that it may be out of this order.
"""

from collections.abc import Iterable
from datetime import datetime

from django.db.models import Q

from core.db import lock_rows
from courses.errors.erasure import PatientErased
from courses.models import (
    Appointment,
    CalendarFeed,
    CalibrationRun,
    ContactPoint,
    Course,
    Erasure,
    Gap,
    HealingWindow,
    Message,
    Observation,
    Patient,
    Recall,
    RecallPlan,
    Replan,
    ReplanRun,
    Session,
    Tattoo,
    WaitingListEntry,
)
from courses.vocabulary import (
    AppointmentStatus,
    CalibrationStatus,
    GapStatus,
    MessageStatus,
    OfferStatus,
    RequestStatus,
    TaskStatus,
    WindowState,
)


def lock_patient(*, pk: int) -> Patient | None:
    """Lock one patient until the transaction ends; None when there is none.

    It stands for all the patient's tattoos: which course treats which is decided under it.
    Raises PatientErased.
    """
    patient = lock_patient_even_erased(pk=pk)
    if patient is not None:
        refuse_erased(patient)
    return patient


def lock_patient_even_erased(*, pk: int) -> Patient | None:
    """The same for the erasure itself, which may be asked for again."""
    return next(iter(lock_rows(Patient.objects.filter(pk=pk))), None)


def refuse_erased(patient: Patient) -> None:
    """Raise PatientErased when nothing may be added to the record any more."""
    if patient.erased_at is not None:
        raise PatientErased(patient=patient.pk)


def lock_contact_point(*, pk: int) -> ContactPoint | None:
    """Lock one contact point until the transaction ends; None when there is none."""
    return next(iter(lock_rows(ContactPoint.objects.filter(pk=pk))), None)


def lock_contact_points(pks: Iterable[int]) -> list[ContactPoint]:
    """Lock several contact points in the order of their keys."""
    return lock_rows(ContactPoint.objects.filter(pk__in=list(pks)))


def lock_erasures_to_carry_out(*, limit: int) -> list[Erasure]:
    """Erasures that nobody carries out just now, the oldest first; without waiting."""
    rows = Erasure.objects.filter(done__isnull=True).order_by("asked_at", "id")
    return list(rows.select_for_update(skip_locked=True, of=("self",))[:limit])


def lock_tattoo(*, pk: int) -> Tattoo | None:
    """Lock one tattoo, with its parts and grades, until the transaction ends; None without one.

    Raises PatientErased.
    """
    tattoos = Tattoo.objects.filter(pk=pk).select_related("patient")
    tattoo = next(iter(lock_rows(tattoos)), None)
    if tattoo is not None:
        refuse_erased(tattoo.patient)
    return tattoo


def lock_courses(pks: Iterable[int]) -> list[Course]:
    """Lock several courses in the order of their keys, read with their patients."""
    return lock_rows(Course.objects.filter(pk__in=list(pks)).select_related("patient"))


def lock_observation(*, pk: int) -> Observation | None:
    """Lock one observation until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Observation.objects.filter(pk=pk))), None)


def lock_course(*, pk: int) -> Course | None:
    """Lock one course until the transaction ends, read with its patient; None without one.

    Raises PatientErased.
    """
    courses = Course.objects.filter(pk=pk).select_related("patient")
    course = next(iter(lock_rows(courses)), None)
    if course is not None:
        refuse_erased(course.patient)
    return course


def lock_appointment(*, pk: int) -> Appointment | None:
    """Lock one appointment until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Appointment.objects.filter(pk=pk))), None)


def lock_appointments(pks: Iterable[int]) -> list[Appointment]:
    """Lock several appointments in the order of their keys."""
    return lock_rows(Appointment.objects.filter(pk__in=list(pks)))


def lock_waiting_list_entry(*, pk: int) -> WaitingListEntry | None:
    """Lock one entry of the waiting list until the transaction ends; None when there is none."""
    return next(iter(lock_rows(WaitingListEntry.objects.filter(pk=pk))), None)


def lock_calendar_feed(*, pk: int) -> CalendarFeed | None:
    """Lock one calendar feed until the transaction ends; None when there is none."""
    return next(iter(lock_rows(CalendarFeed.objects.filter(pk=pk))), None)


def lock_gap(*, pk: int) -> Gap | None:
    """Lock a gap, and with it all its offers, until the transaction ends; None without one."""
    return next(iter(lock_rows(Gap.objects.filter(pk=pk))), None)


def lock_stalled_gap(*, now: datetime) -> Gap | None:
    """Lock a gap whose present offer has expired, skipping those that others have locked."""
    stalled = Gap.objects.filter(
        status=GapStatus.OFFERING,
        offers__status=OfferStatus.OFFERED,
        offers__expires_at__lte=now,
    ).order_by("pk")
    return stalled.select_for_update(of=("self",), no_key=True, skip_locked=True).first()


def lock_session(*, pk: int) -> Session | None:
    """Lock one session until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Session.objects.filter(pk=pk))), None)


def lock_healing_window(*, pk: int) -> HealingWindow | None:
    """Lock one healing window until the transaction ends; None when there is none."""
    return next(iter(lock_rows(HealingWindow.objects.filter(pk=pk))), None)


def lock_expired_holds(*, now: datetime, limit: int) -> list[Appointment]:
    """Lock holds whose time is over, skipping those that others have locked."""
    expired = Appointment.objects.filter(
        status=AppointmentStatus.PROPOSED, hold_expires_at__lte=now
    ).order_by("pk")
    return list(expired.select_for_update(of=("self",), no_key=True, skip_locked=True)[:limit])


def lock_recall(*, pk: int) -> Recall | None:
    """Lock one recall until the transaction ends; None when there is none.

    The plan of its course first: what happens to a recall can change where its patient stands.
    """
    lock_rows(RecallPlan.objects.filter(course__recalls=pk))
    return next(iter(lock_rows(Recall.objects.filter(pk=pk))), None)


def lock_live_recalls_of(recall: Recall) -> list[Recall]:
    """Lock the recalls of the same course and kind that are not over, in order of their keys."""
    return lock_rows(
        Recall.objects.filter(
            course=recall.course_id,
            kind=recall.kind,
            status__in=[RequestStatus.ACTIVE, RequestStatus.ON_HOLD],
        )
    )


def lock_due_plans(*, now: datetime, limit: int) -> list[RecallPlan]:
    """Lock plans that are to be looked at, longest due first, skipping what others have locked."""
    due = RecallPlan.objects.filter(look_at__lte=now).order_by("look_at", "pk")
    return list(due.select_for_update(of=("self",), no_key=True, skip_locked=True)[:limit])


def lock_plan(*, course_id: int) -> list[RecallPlan]:
    """Lock the plan of one course; none when somebody else has it."""
    return lock_plans([course_id])


def lock_plans(courses: Iterable[int]) -> list[RecallPlan]:
    """Lock the plans of these courses, skipping what others have locked."""
    own = RecallPlan.objects.filter(pk__in=list(courses)).order_by("pk")
    return list(own.select_for_update(of=("self",), no_key=True, skip_locked=True))


def lock_outdated_plans(*, chain_id: int, number: int, limit: int) -> list[RecallPlan]:
    """Lock plans of the chain that were made under an older policy, skipping locked ones.

    One that cannot be made is due when its time has come, not before.
    """
    old = RecallPlan.objects.filter(
        chain=chain_id, policy__lt=number, look_at__isnull=False, failures=0
    ).order_by("policy", "pk")
    return list(old.select_for_update(of=("self",), no_key=True, skip_locked=True)[:limit])


def lock_message(*, pk: int) -> Message | None:
    """Lock one message until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Message.objects.filter(pk=pk))), None)


def lock_messages_of(recall: Recall) -> list[Message]:
    """Lock all messages of a (locked) recall in the order of their keys."""
    return lock_rows(Message.objects.filter(recall=recall))


def lock_due_window(*, pk: int, now: datetime) -> HealingWindow | None:
    """Lock an open window whose time has come, with its course.

    None when it is no longer due, or when somebody has either locked: the next tick finds it.
    """
    due = HealingWindow.objects.filter(
        pk=pk, state=WindowState.OPEN, closes_at__lte=now
    ).select_related("course")
    return due.select_for_update(of=("self", "course"), no_key=True, skip_locked=True).first()


def lock_due_windows(
    *, now: datetime, after: tuple[datetime, int] | None, limit: int
) -> list[HealingWindow]:
    """Lock open windows whose time has come, with their courses, longest due first.

    `after`: only those after this closing time and key. Skips what others have locked.
    """
    due = HealingWindow.objects.filter(state=WindowState.OPEN, closes_at__lte=now)
    if after is not None:
        due = due.filter(Q(closes_at=after[0], pk__gt=after[1]) | Q(closes_at__gt=after[0]))
    ordered = due.select_related("course").order_by("closes_at", "pk")
    return list(
        ordered.select_for_update(of=("self", "course"), no_key=True, skip_locked=True)[:limit]
    )


def lock_due_message(*, now: datetime) -> Message | None:
    """Lock the message that has been due longest, skipping those that others have locked.

    Due is one in preparation whose time has come, and one in progress whose lease is over: the
    worker that had it is gone.
    """
    due = Message.objects.filter(
        Q(status=MessageStatus.PREPARATION) | Q(lease_until__lte=now),
        # As in the partial index that this is read from.
        status__in=[MessageStatus.PREPARATION, MessageStatus.IN_PROGRESS],
        due_at__lte=now,
    ).order_by("due_at", "pk")
    return due.select_for_update(of=("self",), no_key=True, skip_locked=True).first()


def lock_calibrations(*, chain_id: int, pk: int) -> list[CalibrationRun]:
    """Lock a run of the chain and the one that is in force, in the order of their keys."""
    in_force = Q(status=CalibrationStatus.ACCEPTED)
    return lock_rows(CalibrationRun.objects.filter(Q(pk=pk) | in_force, chain=chain_id))


def lock_replan(*, pk: int) -> Replan | None:
    """Lock one re-plan until the transaction ends; None when there is none."""
    return next(iter(lock_rows(Replan.objects.filter(pk=pk))), None)


def lock_replan_run(*, pk: int) -> ReplanRun | None:
    """Lock one run of a (locked) re-plan until the transaction ends; None when there is none."""
    return next(iter(lock_rows(ReplanRun.objects.filter(pk=pk))), None)


def lock_replan_runs(replan: Replan) -> list[ReplanRun]:
    """Lock all runs of a (locked) re-plan in the order of their keys."""
    return lock_rows(ReplanRun.objects.filter(replan=replan))


def lock_run_to_solve(*, pk: int, now: datetime) -> ReplanRun | None:
    """Lock a run that waits, or whose lease is over; None when it does not, or others have it."""
    due = ReplanRun.objects.filter(
        Q(status=TaskStatus.REQUESTED) | Q(status=TaskStatus.IN_PROGRESS, lease_until__lte=now),
        pk=pk,
    )
    return due.select_for_update(of=("self",), no_key=True, skip_locked=True).first()
