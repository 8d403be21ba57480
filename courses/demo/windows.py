"""The healing window of one session as the rules tell it, version by version.

The same steps as the services take one by one: the window opens with the session, is computed
anew with every finding, and with what a clinician decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

from courses.demo.skin import RELEASED_BECAUSE, Healing
from courses.healing import (
    Facts,
    Observation,
    Release,
    Window,
    compute_window,
    facts_json,
    held_in,
    outcomes_json,
)


class Cause(StrEnum):
    """What made a version."""

    SESSION = "session"
    SEEN = "seen"
    GONE = "gone"
    RELEASED = "released"
    PATIENT = "patient"


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened on a day; `about` is the position of the reaction."""

    on: date
    cause: Cause
    about: int = -1


@dataclass(frozen=True, slots=True)
class Version:
    """A window as it was told once."""

    event: Event
    facts: Facts
    window: Window


def events_of(healing: Healing, *, treated_on: date) -> list[Event]:
    """All that happens to a window, in the order in which it does."""
    found = [
        Event(treated_on + timedelta(days=day), cause, about)
        for about, reaction in enumerate(healing.reactions)
        for day, cause in ((reaction.seen, Cause.SEEN), (reaction.gone, Cause.GONE))
        if day is not None
    ]
    for day, cause in ((healing.released, Cause.RELEASED), (healing.gold_told, Cause.PATIENT)):
        if day is not None:
            found.append(Event(treated_on + timedelta(days=day), cause))
    return sorted(found, key=lambda event: (event.on, event.about))


def told(
    base: Facts, healing: Healing, *, keys: Sequence[str], until: date, clinician: str
) -> list[Version]:
    """The versions of a window up to and on a day; one that says nothing new is left out.

    `base` are the facts of the session itself; `keys` name the reactions' records.
    """
    first = Event(base.treated_on, Cause.SESSION)
    versions = [Version(first, base, compute_window(base))]
    known: list[Event] = []
    releases: tuple[Release, ...] = ()
    for event in events_of(healing, treated_on=base.treated_on):
        if event.on > until:
            break
        known.append(event)
        if event.cause is Cause.RELEASED:
            releases = (_release(versions[-1], healing, on=event.on, clinician=clinician),)
        facts = replace(
            base,
            today=event.on,
            gold_ever=any(one.cause is Cause.PATIENT for one in known),
            observations=tuple(seen_by(known, healing, keys=keys)),
        )
        version = Version(event, facts, compute_window(facts, releases=releases))
        if _says(version) != _says(versions[-1]):
            versions.append(version)
    return versions


def final_window(base: Facts, healing: Healing) -> Window:
    """The window as it will be told once everything has happened."""
    events = events_of(healing, treated_on=base.treated_on)
    keys = [f"planned:{number}" for number in range(len(healing.reactions))]
    facts = replace(
        base,
        today=max([base.today, *(event.on for event in events)]),
        gold_ever=any(event.cause is Cause.PATIENT for event in events),
        observations=tuple(seen_by(events, healing, keys=keys)),
    )
    releases = [
        Release(released_on=event.on, by="-", reason="-")
        for event in events
        if event.cause is Cause.RELEASED
    ]
    return compute_window(facts, releases=releases)


def seen_by(known: Sequence[Event], healing: Healing, *, keys: Sequence[str]) -> list[Observation]:
    """The reactions as far as these events have told them, in the order of their records."""
    gone = {event.about: event.on for event in known if event.cause is Cause.GONE}
    return [
        Observation(
            kind=healing.reactions[event.about].kind,
            observed_on=event.on,
            resolved_on=gone.get(event.about),
            severity=healing.reactions[event.about].severity,
            key=keys[event.about],
        )
        for event in known
        if event.cause is Cause.SEEN
    ]


def release_reason(healing: Healing) -> str:
    """Why a clinician released the holds of a window."""
    kinds = [reaction.kind for reaction in healing.reactions]
    return next(RELEASED_BECAUSE[kind] for kind in kinds if kind in RELEASED_BECAUSE)


def _release(shown: Version, healing: Healing, *, on: date, clinician: str) -> Release:
    return Release(
        released_on=on,
        by=clinician,
        reason=release_reason(healing),
        keys=held_in(outcomes_json(shown.window)),
    )


def _says(version: Version) -> tuple[object, ...]:
    window = version.window
    facts = {name: value for name, value in facts_json(version.facts).items() if name != "today"}
    return facts, outcomes_json(window), window.earliest_on, window.advised_on
