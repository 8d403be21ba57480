"""Counters, and what is read off them. A counter never runs backwards."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from clinics.access import Actor
from core.db import command, constraint_as, step
from devices import locks
from devices.counters import CounterImpossible, Mark, check_mark, check_marks
from devices.errors.counters import (
    CapacityInUse,
    CounterBackwards,
    CounterInactive,
    CounterTaken,
    CounterTooFast,
    CounterUnitDiffers,
    CounterValueImpossible,
    PartRecordMissing,
    ReadingCorrected,
    ReadingTaken,
    ReadingUnknown,
)
from devices.models import Counter, CounterReading, Handpiece, Laser
from devices.selectors.counters import mark_of, most_hz_of, readings_around, scale_of
from devices.services.clock import refuse_future
from devices.vocabulary import CounterKind, CounterStep, PartKind

REPLACES: Final = {
    CounterKind.LASER: frozenset({PartKind.COUNTER}),
    CounterKind.LAMP: frozenset({PartKind.FLASHLAMP, PartKind.COUNTER}),
    CounterKind.HANDPIECE: frozenset({PartKind.COUNTER}),
}
"""The part whose replacement lets a counter of each kind start anew."""

TAKEN: Final = ("counter_once_per_laser", "counter_once_per_handpiece")


@command
def counter_create(
    *, device: Laser | Handpiece, fields: Mapping[str, Any], actor: Actor
) -> Counter:
    """Say that a laser (or a lamp in it) or a handpiece has a counter.

    `fields`: kind, name, unit, capacity. Raises NotAllowed, CounterTaken.
    """
    counter = Counter(chain_id=device.chain_id, **fields)
    if isinstance(device, Laser):
        counter.laser = device
    else:
        counter.handpiece = device
    actor.require_at(clinic_of(counter), "counter.write")
    with constraint_as(**{name: CounterTaken(kind=counter.kind) for name in TAKEN}):
        counter.save(force_insert=True)
    return counter


@command
def counter_change(
    *, pk: int, changes: Mapping[str, Any], expected_version: int | None, actor: Actor
) -> Counter:
    """Name a counter, set where it rolls over, or say that it is no longer read.

    Raises CounterUnknown, NotAllowed, Stale, CounterTaken, and CapacityInUse when readings stand
    that the new capacity would make impossible.
    """
    counter = locks.lock_counter(pk=pk, actor=actor)
    actor.require_at(clinic_of(counter), "counter.write")
    counter.check_version(expected_version)
    for name, value in changes.items():
        setattr(counter, name, value)
    if "capacity" in changes:
        _refuse_capacity(counter)
    with constraint_as(**dict.fromkeys(TAKEN, CounterTaken)):
        counter.save()
    return counter


@command
def reading_record(
    *, counter_id: int, fields: Mapping[str, Any], source: str, actor: Actor, now: datetime
) -> CounterReading:
    """Store what a counter showed, read by the actor.

    `fields`: value, unit (must be the counter's), read_at (None: now), occasion, step,
    first_value, installation (the record of the part replaced), note. Raises CounterUnknown,
    NotAllowed, InTheFuture, CounterInactive, CounterUnitDiffers, ReadingTaken, CounterBackwards,
    CounterValueImpossible, CounterTooFast, PartRecordMissing. Locks the counter.
    """
    counter = locks.lock_counter(pk=counter_id, actor=actor)
    actor.require_at(clinic_of(counter), "counter_reading.write")
    told = {**fields, "read_at": fields.get("read_at") or now}
    unit = told.pop("unit")
    refuse_future(told["read_at"], field="read_at", now=now)
    reading = CounterReading(counter=counter, read_by_id=actor.staff_id, source=source, **told)
    if not counter.active:
        raise CounterInactive(counter=counter.pk)
    if unit != counter.unit:
        raise CounterUnitDiffers(
            f"The counter shows {counter.unit}.", field="unit", unit=unit, counter_unit=counter.unit
        )
    return _insert(reading)


@command
def reading_correct(
    *, pk: int, fields: Mapping[str, Any], reason: str, actor: Actor, now: datetime
) -> CounterReading:
    """Put another reading in the place of a wrong one, or withdraw it; both rows stay.

    `fields`: value, read_at, withdrawn: those left out stay as they were. Raises ReadingUnknown,
    NotAllowed, ReadingCorrected, and what `reading_record` raises of a value.
    """
    wrong = CounterReading.objects.visible_to(actor).filter(pk=pk).first()
    if wrong is None:
        raise ReadingUnknown(reading=pk)
    counter = locks.lock_counter(pk=wrong.counter_id, actor=actor)
    actor.require_at(clinic_of(counter), "counter_reading.correct")
    reading = CounterReading(
        counter=counter,
        read_at=fields.get("read_at") or wrong.read_at,
        value=fields.get("value", wrong.value),
        withdrawn=fields.get("withdrawn", False),
        step=wrong.step,
        first_value=wrong.first_value,
        installation=wrong.installation,
        occasion=wrong.occasion,
        note=wrong.note,
        source=wrong.source,
        read_by_id=actor.staff_id,
        corrects=wrong,
        reason=reason.strip(),
    )
    refuse_future(reading.read_at, field="read_at", now=now)
    return _insert(reading)


@step
def _insert(reading: CounterReading) -> CounterReading:
    """Write a reading that may stand. The counter is locked."""
    for refusal in refusals([reading], counters={reading.counter_id: reading.counter}).values():
        raise refusal
    errors = {
        "counterreading_once_at_a_time": ReadingTaken(read_at=reading.read_at.isoformat()),
        "devices_counterreading_corrects_id_key": ReadingCorrected(reading=reading.corrects_id),
    }
    with constraint_as(**errors):
        reading.save(force_insert=True)
    return reading


def refusals(
    drafts: Sequence[CounterReading], *, counters: Mapping[int, Counter]
) -> dict[int, Exception]:
    """Why drafted readings cannot stand among those there are, by their place in `drafts`.

    A fixed number of queries for any number of drafts. The counters are locked.
    """
    wrong = {at: refusal for at, one in enumerate(drafts) if (refusal := _part_refusal(one))}
    around = readings_around(
        counters,
        start=min(one.read_at for one in drafts),
        end=max(one.read_at for one in drafts),
    )
    rates = most_hz_of(counters.values())
    for counter_id, counter in counters.items():
        own = {at: one for at, one in enumerate(drafts) if one.counter_id == counter_id}
        gone = {one.corrects_id for one in own.values()}
        kept = [mark_of(row) for row in around.get(counter_id, []) if row.pk not in gone]
        marks = _merged(kept, own)
        for impossible in _impossible(marks, counter, most_hz=rates.get(counter_id)):
            place = _to_blame(impossible, own)
            if place is not None:
                wrong.setdefault(place, _refusal(impossible))
    return wrong


def clinic_of(counter: Counter) -> int | None:
    """Where the device stands that has the counter."""
    if counter.laser is not None:
        return counter.laser.clinic_id
    return counter.handpiece.resource.clinic_id if counter.handpiece is not None else None


def _merged(kept: Iterable[Mark], own: Mapping[int, CounterReading]) -> list[Mark]:
    """All marks by time; a draft's key is -1 - its place, so that it is told from stored ones."""
    drafted = [
        Mark(one.read_at, one.value, CounterStep(one.step), one.first_value, key=-1 - at)
        for at, one in own.items()
        if not one.withdrawn
    ]
    return sorted([*kept, *drafted], key=lambda mark: mark.read_at)


def _impossible(
    marks: Sequence[Mark], counter: Counter, *, most_hz: float | None
) -> Iterable[CounterImpossible]:
    scale = scale_of(counter)
    for mark in marks:
        try:
            check_mark(mark, scale=scale)
        except CounterImpossible as impossible:
            yield impossible
    yield from check_marks(marks, scale=scale, most_hz=most_hz)


def _to_blame(impossible: CounterImpossible, own: Mapping[int, CounterReading]) -> int | None:
    """The draft that a finding is about: the later reading, or the earlier when that one stands.

    A withdrawal has no mark of its own: what its absence makes impossible is its fault.
    """
    for mark in (impossible.mark, impossible.before):
        if mark is not None and mark.key is not None and mark.key < 0:
            return -1 - mark.key
    return next((at for at, one in own.items() if one.withdrawn), None)


def _refusal(impossible: CounterImpossible) -> Exception:
    mark, before = impossible.mark, impossible.before
    data: dict[str, Any] = {"field": "value", "rule": impossible.rule, "value": mark.value}
    if before is not None:
        data |= {"value_before": before.value, "read_before": before.read_at.isoformat()}
    kinds = {"backwards": CounterBackwards, "too-fast": CounterTooFast}
    return kinds.get(impossible.rule, CounterValueImpossible)(impossible.message, **data)


def _part_refusal(reading: CounterReading) -> Exception | None:
    """A replaced counter needs the record of a part that was put into this device by then."""
    if reading.step != CounterStep.REPLACED or reading.withdrawn:
        return None
    counter, stay = reading.counter, reading.installation
    if stay is None:
        return PartRecordMissing(field="installation")
    same = CounterReading.objects.counting().filter(counter=counter, installation=stay)
    if same.exclude(pk=reading.corrects_id).exists():
        used = "A counter starts anew once for each part record."
        return PartRecordMissing(used, field="installation", installation=stay.pk)
    allowed = REPLACES[CounterKind(counter.kind)]
    elsewhere = (stay.laser_id, stay.handpiece_id) != (counter.laser_id, counter.handpiece_id)
    if elsewhere or stay.part.kind not in allowed or stay.period.lower > reading.read_at:
        return PartRecordMissing(
            f"The record must be of a {' or '.join(sorted(allowed))} in this device by then.",
            field="installation",
            installation=stay.pk,
        )
    return None


@step
def _refuse_capacity(counter: Counter) -> None:
    rows = CounterReading.objects.counting().filter(counter=counter).order_by("read_at", "pk")
    for impossible in _impossible([mark_of(row) for row in rows], counter, most_hz=None):
        raise CapacityInUse(
            impossible.message, field="capacity", rule=impossible.rule, reading=impossible.mark.key
        )
