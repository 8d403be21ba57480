"""What has to be done for safety's sake, how often, and which clocks an incident starts.

The lists are defaults of this service, each entry with its source. A chain may have others of its
own, leave out what its local law does not ask for, and shorten a period or a clock; the period of
an entry that keeps its code is never lengthened.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from devices.safety.duties import (
    ADVISER_MONTHS,
    INVENTORY_MONTHS,
    REPORT_WITHIN,
    RULES_MONTHS,
    WRITTEN_WITHIN,
)
from devices.safety.vocabulary import IncidentKind, StartUpScope

HOUR: Final = timedelta(hours=1)
OWN: Final = "policy of the chain"
PRACTICE: Final = "common practice of laser safety: checks before use"
CODE: Final = re.compile(r"[a-z][a-z0-9_]{1,39}")
MOST_ENTRIES: Final = 40
MOST_TEXT: Final = 200
MOST_MONTHS: Final = 120
MOST_HOURS: Final = 24 * 366


class RuleUnfit(ValueError):
    """An entry that a list does not take; `pointer` names it, `rule` is a stable code."""

    def __init__(self, message: str, *, pointer: str, rule: str) -> None:
        super().__init__(message)
        self.pointer = pointer
        self.rule = rule


@dataclass(frozen=True, slots=True)
class StartUpItem:
    """One thing to look at before the first patient of a day."""

    code: str
    scope: StartUpScope
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class PeriodicDuty:
    """What each clinic does again within so many months."""

    code: str
    text: str
    months: int
    source: str


@dataclass(frozen=True, slots=True)
class ClockRule:
    """What is due how long after an incident was known, or after another clock was met."""

    code: str
    kinds: frozenset[IncidentKind]
    text: str
    within: timedelta
    after: str
    source: str


@dataclass(frozen=True, slots=True)
class DutyRules:
    """The three lists in force for one chain."""

    start_up: tuple[StartUpItem, ...]
    periodic: tuple[PeriodicDuty, ...]
    clocks: tuple[ClockRule, ...]

    def items_for(self, scope: StartUpScope) -> tuple[StartUpItem, ...]:
        """What is looked at on a laser, or in a room."""
        return tuple(item for item in self.start_up if item.scope == scope)

    def clocks_for(self, kind: IncidentKind) -> tuple[ClockRule, ...]:
        """Which clocks an incident of this kind starts, each after the one that it follows."""
        return tuple(clock for clock in self.clocks if kind in clock.kinds)


START_UP: Final = (
    StartUpItem("sign", StartUpScope.ROOM, "Warning sign shown at each entrance", PRACTICE),
    StartUpItem("door", StartUpScope.ROOM, "Door closes, interlock or lock works", PRACTICE),
    StartUpItem("window", StartUpScope.ROOM, "Windows covered, mirrors away", PRACTICE),
    StartUpItem("key", StartUpScope.LASER, "Key switch works, key kept by its holder", PRACTICE),
    StartUpItem("extraction", StartUpScope.LASER, "Plume extraction runs, filter fit", PRACTICE),
    StartUpItem("aiming_beam", StartUpScope.LASER, "Aiming beam shows, round and true", PRACTICE),
)
PERIODIC: Final = (
    PeriodicDuty(
        "inventory",
        "Inventory of the lasers, place by place",
        INVENTORY_MONTHS,
        "25 TAC 289.301(j): at most every 12 months",
    ),
    PeriodicDuty(
        "local_rules",
        "Review of local rules and risk assessment",
        RULES_MONTHS,
        "British good-practice requirements (2010, updated 2012): every year",
    ),
    PeriodicDuty(
        "adviser_visit",
        "Visit of the laser protection adviser",
        ADVISER_MONTHS,
        "British good-practice requirements (2010, updated 2012): every 4 years",
    ),
    PeriodicDuty(
        "audit",
        "Audit of laser safety",
        12,
        "16 TAC 118.32 asks that audits are run; that they are yearly is common practice",
    ),
)
EVERY_KIND: Final = frozenset(IncidentKind)
LOSS: Final = frozenset({IncidentKind.LOSS})
CLOCKS: Final = (
    ClockRule(
        "report",
        LOSS,
        "Loss or theft reported to the authority",
        REPORT_WITHIN,
        "",
        "16 TAC 118.71: within 72 hours",
    ),
    ClockRule(
        "written_report",
        LOSS,
        "Loss or theft reported in writing",
        WRITTEN_WITHIN,
        "report",
        "16 TAC 118.71: within 30 days after the first report",
    ),
    ClockRule(
        "officer_told",
        EVERY_KIND - LOSS,
        "Laser safety officer told, laser and settings kept as they were",
        24 * HOUR,
        "",
        "proposal of this service; local law may ask for less time",
    ),
    ClockRule(
        "examination",
        frozenset({IncidentKind.EYE_EXPOSURE}),
        "Eyes of those exposed examined",
        24 * HOUR,
        "",
        "examination after suspected injury: ANSI Z136.3; within a day is a proposal",
    ),
    ClockRule(
        "authority",
        frozenset({IncidentKind.EYE_EXPOSURE, IncidentKind.BURN}),
        "Decided and recorded whether an authority must be told, and told",
        72 * HOUR,
        "",
        "proposal of this service after the 72 hours of 16 TAC 118.71; ask the local authority",
    ),
    ClockRule(
        "review",
        EVERY_KIND,
        "Causes found, measures decided",
        30 * 24 * HOUR,
        "",
        "proposal of this service",
    ),
)
DEFAULTS: Final = DutyRules(START_UP, PERIODIC, CLOCKS)


def duty_rules_of(*, start_up: Any = None, periodic: Any = None, clocks: Any = None) -> DutyRules:
    """The lists of a chain, from what it wrote; what is None has the defaults. Raises RuleUnfit."""
    return DutyRules(
        START_UP if start_up is None else _start_up(_entries("start_up", start_up)),
        PERIODIC if periodic is None else _periodic(_entries("periodic", periodic)),
        CLOCKS if clocks is None else _clocks(_entries("clocks", clocks)),
    )


def clock_due(rule: ClockRule, *, known_at: datetime, due: Mapping[str, datetime]) -> datetime:
    """When a clock runs out. `due`: of the others, when they were met, or else must be."""
    return (due[rule.after] if rule.after else known_at) + rule.within


def _entries(name: str, given: Any) -> list[tuple[str, Mapping[str, Any]]]:
    """Each entry with its pointer; codes are plain, and each stands once."""
    if not isinstance(given, Sequence) or isinstance(given, str) or len(given) > MOST_ENTRIES:
        raise RuleUnfit(f"A list of at most {MOST_ENTRIES}.", pointer=f"/{name}", rule="invalid")
    entries, seen = [], set()
    for index, entry in enumerate(given):
        pointer = f"/{name}/{index}"
        code = entry.get("code") if isinstance(entry, Mapping) else None
        if not isinstance(code, str) or not CODE.fullmatch(code):
            raise RuleUnfit(
                "A code of small letters, digits and _.", pointer=f"{pointer}/code", rule="code"
            )
        if code in seen:
            raise RuleUnfit("This code stands twice.", pointer=f"{pointer}/code", rule="twice")
        text = entry.get("text")
        if not isinstance(text, str) or not 0 < len(text.strip()) <= MOST_TEXT:
            raise RuleUnfit("Say what is done.", pointer=f"{pointer}/text", rule="text")
        seen.add(code)
        entries.append((pointer, entry))
    return entries


def _start_up(entries: Iterable[tuple[str, Mapping[str, Any]]]) -> tuple[StartUpItem, ...]:
    known = {item.code: item for item in START_UP}
    made = []
    for pointer, entry in entries:
        if entry.get("scope") not in set(StartUpScope):
            raise RuleUnfit("It is of a laser or a room.", pointer=f"{pointer}/scope", rule="scope")
        code = entry["code"]
        source = known[code].source if code in known else OWN
        made.append(StartUpItem(code, StartUpScope(entry["scope"]), entry["text"].strip(), source))
    return tuple(made)


def _periodic(entries: Iterable[tuple[str, Mapping[str, Any]]]) -> tuple[PeriodicDuty, ...]:
    known = {duty.code: duty for duty in PERIODIC}
    made = []
    for pointer, entry in entries:
        at = f"{pointer}/months"
        months = _whole(entry.get("months"), most=MOST_MONTHS, pointer=at)
        standard = known.get(entry["code"])
        if standard is not None and months > standard.months:
            said = f"{entry['code']}: at most {standard.months} months ({standard.source})."
            raise RuleUnfit(said, pointer=at, rule="lengthened")
        source = OWN if standard is None else standard.source
        made.append(PeriodicDuty(entry["code"], entry["text"].strip(), months, source))
    return tuple(made)


def _clocks(entries: Iterable[tuple[str, Mapping[str, Any]]]) -> tuple[ClockRule, ...]:
    made: dict[str, ClockRule] = {}
    known = {clock.code: clock for clock in CLOCKS}
    for pointer, entry in entries:
        kinds = _kinds(entry.get("kinds"), pointer=f"{pointer}/kinds")
        within = HOUR * _whole(entry.get("hours"), most=MOST_HOURS, pointer=f"{pointer}/hours")
        standard = known.get(entry["code"])
        if standard is not None and within > standard.within:
            said = f"{entry['code']}: at most {standard.within // HOUR} h ({standard.source})."
            raise RuleUnfit(said, pointer=f"{pointer}/hours", rule="lengthened")
        after = entry.get("after", "")
        if after and (after not in made or not kinds <= made[after].kinds):
            raise RuleUnfit(
                "It follows a clock above it that the same kinds start.",
                pointer=f"{pointer}/after",
                rule="after",
            )
        source = OWN if standard is None else standard.source
        text = entry["text"].strip()
        made[entry["code"]] = ClockRule(entry["code"], kinds, text, within, after, source)
    return tuple(made.values())


def _kinds(given: Any, *, pointer: str) -> frozenset[IncidentKind]:
    codes = given if isinstance(given, list | tuple) else ()
    if not codes or not {*map(str, codes)} <= {kind.value for kind in IncidentKind}:
        raise RuleUnfit("Name kinds of incidents.", pointer=pointer, rule="kinds")
    return frozenset(map(IncidentKind, codes))


def _whole(given: Any, *, most: int, pointer: str) -> int:
    if isinstance(given, bool) or not isinstance(given, int) or not 1 <= given <= most:
        raise RuleUnfit(f"A whole number, 1 to {most}.", pointer=pointer, rule="out_of_range")
    return given
