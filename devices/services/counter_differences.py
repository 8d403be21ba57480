"""Counters against the ledger: what differs is a row with an owner, until it is explained."""

import logging
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from clinics.access import Actor
from clinics.models import Chain, Membership, StaffMember
from clinics.vocabulary import Role
from core.db import command, step
from devices import locks
from devices.errors import OperatorUnknown, PulseEntryUnknown
from devices.errors.counters import CorrectionElsewhere, DifferenceOver, DifferenceUnexplained
from devices.models import (
    Counter,
    CounterDifference,
    CounterReading,
    CounterReconciliation,
    PulseEntry,
)
from devices.selectors.counters import Differing, reconciled, spans_gone
from devices.services.counters import clinic_of
from devices.vocabulary import DifferenceResolution, DifferenceStatus, PulsePurpose

logger = logging.getLogger(__name__)

LOOKED_BACK: Final = timedelta(days=400)
DAILY: Final = timedelta(hours=20)

Pairs = Mapping[tuple[int, int], Differing]


@command
def counters_reconcile(
    *, chain_id: int, now: datetime, since: datetime | None = None
) -> CounterReconciliation:
    """Compare all counters of a chain with its ledger and keep a row for each difference.

    Looks at spans between readings that end after `since` (None: 400 days ago). A difference that
    is new gets an owner: a laser safety officer of the clinic, else who took the reading. One that
    entries have mended is settled, one whose readings were corrected is superseded, and one whose
    sums have changed since it was closed is open again. Safe to run twice.
    """
    start = since or now - LOOKED_BACK
    seen = reconciled(chain_id, since=start)
    opened, settled = _write(chain_id, seen.differing, since=start, now=now)
    left = CounterDifference.objects.filter(counter__chain=chain_id)
    run = CounterReconciliation.objects.create(
        chain_id=chain_id,
        ran_at=now,
        since=start,
        spans=seen.spans,
        agreeing=seen.agreeing,
        opened=opened,
        settled=settled,
        left_open=left.exclude(status=DifferenceStatus.CLOSED).count(),
    )
    if run.left_open:
        logger.warning(
            "Chain %s: %s of %s counter spans differ from the ledger; %s differences are open",
            chain_id,
            seen.spans - seen.agreeing,
            seen.spans,
            run.left_open,
        )
    return run


def counters_reconcile_due(*, now: datetime) -> int:
    """Reconcile each chain whose last comparison is a night old. Returns how many were."""
    fresh = CounterReconciliation.objects.filter(ran_at__gt=now - DAILY).values("chain")
    counting = Counter.objects.values("chain")
    due = Chain.objects.filter(pk__in=counting).exclude(pk__in=fresh).order_by("pk")
    chains = [*due.values_list("pk", flat=True)]
    for chain_id in chains:
        counters_reconcile(chain_id=chain_id, now=now)
    return len(chains)


@command
def difference_assign(
    *, pk: int, owner: StaffMember, expected_version: int | None, actor: Actor
) -> CounterDifference:
    """Say who looks into a difference.

    Raises DifferenceUnknown, NotAllowed, Stale, DifferenceOver, OperatorUnknown.
    """
    difference = _open(pk, expected_version=expected_version, actor=actor)
    if owner.chain_id != actor.chain_id or not owner.active:
        raise OperatorUnknown(field="owner", owner=owner.pk)
    difference.owner = owner
    difference.save()
    return difference


@command
def difference_explain(
    *,
    pk: int,
    explanation: str,
    correction: PulseEntry | None,
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> CounterDifference:
    """Explain a difference, with the correction that mends the ledger where there is one.

    When counter and ledger agree by now, it is settled. Raises DifferenceUnknown, NotAllowed,
    Stale, DifferenceOver, PulseEntryUnknown, CorrectionElsewhere.
    """
    difference = _open(pk, expected_version=expected_version, actor=actor)
    _refuse_elsewhere(correction, difference, actor=actor)
    difference.explanation = explanation.strip()
    difference.correction = correction
    difference.explained_by_id = actor.staff_id
    difference.explained_at = now
    difference.status = DifferenceStatus.EXPLAINED
    difference.save()
    since = difference.earlier.read_at
    seen = reconciled(actor.chain_id, since=since, counter_ids=[difference.counter_id])
    _settle([difference], _by_pair(seen.differing), now=now)
    return difference


@command
def difference_close(
    *, pk: int, expected_version: int | None, actor: Actor, now: datetime
) -> CounterDifference:
    """Accept an explained difference as it is: laser safety officer.

    It opens again when its sums change. Raises DifferenceUnknown, NotAllowed, Stale,
    DifferenceOver, DifferenceUnexplained.
    """
    difference = _open(pk, expected_version=expected_version, actor=actor)
    actor.require_at(clinic_of(difference.counter), "counter_difference.close")
    if difference.status != DifferenceStatus.EXPLAINED:
        raise DifferenceUnexplained(difference=difference.pk)
    _close(difference, DifferenceResolution.ACCEPTED, now=now, closed_by=actor.staff_id)
    return difference


@step
def _open(pk: int, *, expected_version: int | None, actor: Actor) -> CounterDifference:
    difference = locks.lock_difference(pk=pk, actor=actor)
    actor.require_at(clinic_of(difference.counter), "counter_difference.write")
    difference.check_version(expected_version)
    if difference.status == DifferenceStatus.CLOSED:
        raise DifferenceOver(difference=difference.pk, resolution=difference.resolution)
    return difference


@step
def _refuse_elsewhere(
    correction: PulseEntry | None, difference: CounterDifference, *, actor: Actor
) -> None:
    if correction is None:
        return
    if correction.laser.chain_id != actor.chain_id:
        raise PulseEntryUnknown(field="correction", pulse_entry=correction.pk)
    counter = difference.counter
    own = (
        correction.laser_id == counter.laser_id
        if counter.laser_id is not None
        else correction.handpiece_id == counter.handpiece_id
    )
    within = difference.earlier.read_at <= correction.fired_at < difference.later.read_at
    if correction.purpose != PulsePurpose.CORRECTION or not own or not within:
        raise CorrectionElsewhere(field="correction", pulse_entry=correction.pk)


@step
def _write(
    chain_id: int, differing: Sequence[Differing], *, since: datetime, now: datetime
) -> tuple[int, int]:
    """Bring the rows in line with what differs. How many were opened, and how many settled."""
    pairs = _by_pair(differing)
    rows = CounterDifference.objects.filter(
        counter__chain=chain_id, later__read_at__gt=since
    ).select_related("earlier", "later")
    kept = {(one.earlier_id, one.later_id): one for one in locks.lock_differences(rows)}
    opened = sum(_brought_up(kept[pair], pairs[pair]) for pair in pairs if pair in kept)
    closed = _settle(
        [one for one in kept.values() if one.status != DifferenceStatus.CLOSED], pairs, now=now
    )
    new = [one for pair, one in pairs.items() if pair not in kept]
    opened += len(_create(new, now=now))
    return opened, closed


@step
def _brought_up(difference: CounterDifference, seen: Differing) -> bool:
    """Take over what is seen now; whether a closed difference is open again by it."""
    before = (difference.counter_pulses, difference.ledger_pulses)
    closed = difference.status == DifferenceStatus.CLOSED
    accepted = closed and difference.resolution == DifferenceResolution.ACCEPTED
    if before == (seen.counter_pulses, seen.ledger_pulses) and (accepted or not closed):
        return False
    difference.counter_pulses = seen.counter_pulses
    difference.ledger_pulses = seen.ledger_pulses
    difference.finding = seen.finding
    difference.status = DifferenceStatus.OPEN
    difference.resolution = ""
    difference.closed_by = None
    difference.closed_at = None
    difference.save()
    return closed


@step
def _settle(differences: Iterable[CounterDifference], pairs: Pairs, *, now: datetime) -> int:
    """Close those that no longer differ; how many. The rows are locked."""
    over = [one for one in differences if (one.earlier_id, one.later_id) not in pairs]
    gone = spans_gone(over)
    for one in over:
        settled, superseded = DifferenceResolution.SETTLED, DifferenceResolution.SUPERSEDED
        _close(one, superseded if one.pk in gone else settled, now=now, closed_by=None)
    return len(over)


@step
def _close(
    difference: CounterDifference,
    resolution: DifferenceResolution,
    *,
    now: datetime,
    closed_by: int | None,
) -> None:
    difference.status = DifferenceStatus.CLOSED
    difference.resolution = resolution
    difference.closed_by_id = closed_by
    difference.closed_at = now
    difference.save()


@step
def _create(differing: Sequence[Differing], *, now: datetime) -> list[CounterDifference]:
    """Rows for differences that are new; another run may have been first with one of them."""
    owners = _owners(differing, now=now)
    return CounterDifference.objects.bulk_create(
        [
            CounterDifference(
                counter_id=one.counter_id,
                earlier_id=one.earlier_id,
                later_id=one.later_id,
                finding=one.finding,
                step=one.step,
                counter_pulses=one.counter_pulses,
                ledger_pulses=one.ledger_pulses,
                opened_at=now,
                owner_id=owners[one.later_id],
            )
            for one in differing
        ],
        ignore_conflicts=True,
    )


def _owners(differing: Sequence[Differing], *, now: datetime) -> dict[int, int]:
    """Who looks into each, by the later reading. Two queries."""
    readings = CounterReading.objects.filter(
        pk__in=[one.later_id for one in differing]
    ).select_related("counter__laser", "counter__handpiece__resource")
    rows = [*readings]
    officers = Membership.objects.filter(
        staff_member__chain__in={one.counter.chain_id for one in rows},
        staff_member__active=True,
        role=Role.LASER_SAFETY_OFFICER,
        valid_during__contains=now,
    ).order_by("pk")
    held = [*officers.values_list("clinic_id", "staff_member_id")]
    return {
        one.pk: next(
            (
                staff
                for clinic in (clinic_of(one.counter), None)
                for at, staff in held
                if at == clinic
            ),
            one.read_by_id,
        )
        for one in rows
    }


def _by_pair(differing: Iterable[Differing]) -> Pairs:
    return {(one.earlier_id, one.later_id): one for one in differing}
