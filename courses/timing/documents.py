"""A cadence as the JSON document that a chain stores, and back; every fault has a place."""

import re
from collections.abc import Mapping
from datetime import time
from enum import StrEnum
from typing import Any, Final, TypeVar

from courses.timing.cadence import DEFAULT, PLANNED, Cadence, CadenceStep
from courses.timing.words import ClosedDays
from courses.vocabulary import Channel, RecallKind

E = TypeVar("E", bound=StrEnum)

MOST_STEPS: Final = 24
DAYS: Final = {
    RecallKind.INVITATION: (-60, 365),
    RecallKind.REMINDER: (-30, 0),
    RecallKind.AFTERCARE: (0, 60),
}
KEY: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
LONGEST_KEY: Final = 40
STEP_FIELDS: Final = frozenset(
    {"kind", "key", "days", "template", "channels", "closed_days", "desk"}
)
LANGUAGE: Final = re.compile(r"[a-z]{2,3}(-[A-Z]{2})?")
FIELDS: Final = frozenset({"civil_hour", "quiet_hours", "language", "steps"})


class BadCadence(ValueError):
    """What a document cannot say; `field` is where (as `steps/2/days`), `rule` a stable code."""

    def __init__(self, message: str, *, field: str, rule: str) -> None:
        super().__init__(message)
        self.field = field
        self.rule = rule


def cadence_of(document: Mapping[str, Any], *, number: int) -> Cadence:
    """The cadence a document describes. Raises BadCadence."""
    _known(document, FIELDS, where="")
    steps = document.get("steps")
    if not isinstance(steps, list) or len(steps) > MOST_STEPS:
        raise BadCadence(f"up to {MOST_STEPS} steps, as a list", field="steps", rule="steps")
    read = tuple(_step(step, where=f"steps/{place}") for place, step in enumerate(steps))
    names = [(step.kind, step.key) for step in read]
    for place, name in enumerate(names):
        if name in names[:place]:
            raise BadCadence(
                f"{name[1]} is there already", field=f"steps/{place}/key", rule="twice"
            )
    return Cadence(
        number=number,
        steps=read,
        civil_hour=_time(document.get("civil_hour", "10:00"), where="civil_hour"),
        quiet=_quiet(document.get("quiet_hours", {})),
        language=_language(document.get("language", DEFAULT.language)),
    )


def document_of(cadence: Cadence) -> dict[str, Any]:
    """The document that `cadence_of` reads."""
    return {
        "civil_hour": f"{cadence.civil_hour:%H:%M}",
        "quiet_hours": {
            channel.value: {"from": f"{start:%H:%M}", "until": f"{end:%H:%M}"}
            for channel, (start, end) in cadence.quiet.items()
        },
        "language": cadence.language,
        "steps": [
            {
                "kind": step.kind.value,
                "key": step.key,
                "days": step.days,
                "template": step.template,
                "channels": [channel.value for channel in step.channels],
                "closed_days": step.closed_days.value,
                "desk": step.desk,
            }
            for step in cadence.steps
        ],
    }


def _step(given: Any, *, where: str) -> CadenceStep:
    _known(given, STEP_FIELDS, where=where)
    kind = _code(given.get("kind"), RecallKind, where=f"{where}/kind")
    if kind not in PLANNED:
        raise BadCadence(f"{kind} has no cadence", field=f"{where}/kind", rule="kind")
    channels = given.get("channels", [])
    if not isinstance(channels, list) or len(set(map(str, channels))) < len(channels):
        raise BadCadence(
            "a list of channels, each once", field=f"{where}/channels", rule="channels"
        )
    desk = given.get("desk", False)
    if not isinstance(desk, bool):
        raise BadCadence("true or false", field=f"{where}/desk", rule="desk")
    return CadenceStep(
        kind=kind,
        key=_key(given.get("key"), where=f"{where}/key"),
        days=_days(given.get("days"), kind=kind, where=f"{where}/days"),
        template=_key(given.get("template"), where=f"{where}/template"),
        channels=tuple(
            _code(channel, Channel, where=f"{where}/channels/{place}")
            for place, channel in enumerate(channels)
        ),
        closed_days=_code(
            given.get("closed_days", "later"), ClosedDays, where=f"{where}/closed_days"
        ),
        desk=desk,
    )


def _known(given: Any, fields: frozenset[str], *, where: str) -> None:
    if not isinstance(given, Mapping):
        raise BadCadence("an object", field=where, rule="object")
    for name in given:
        if name not in fields:
            place = f"{where}/{name}" if where else str(name)
            raise BadCadence(f"{name} is not known", field=place, rule="unknown")


def _code(given: Any, vocabulary: type[E], *, where: str) -> E:
    try:
        return vocabulary(given)
    except ValueError as fault:
        known = ", ".join(code.value for code in vocabulary)
        raise BadCadence(f"one of {known}", field=where, rule="code") from fault


def _key(given: Any, *, where: str) -> str:
    if not isinstance(given, str) or len(given) > LONGEST_KEY or not KEY.fullmatch(given):
        raise BadCadence(
            "small letters, digits and single dashes, 40 at most", field=where, rule="key"
        )
    return given


def _days(given: Any, *, kind: RecallKind, where: str) -> int:
    low, high = DAYS[kind]
    if isinstance(given, bool) or not isinstance(given, int) or not low <= given <= high:
        raise BadCadence(f"a whole number from {low} to {high}", field=where, rule="days")
    return given


def _time(given: Any, *, where: str) -> time:
    fault = BadCadence("a wall time such as 10:00", field=where, rule="time")
    if not isinstance(given, str):
        raise fault
    try:
        read = time.fromisoformat(given)
    except ValueError as error:
        raise fault from error
    if read.tzinfo is not None or read.second or read.microsecond:
        raise fault
    return read


def _language(given: Any) -> str:
    if not isinstance(given, str) or not LANGUAGE.fullmatch(given):
        raise BadCadence("a language such as en or de-AT", field="language", rule="language")
    return given


def _quiet(given: Any) -> dict[Channel, tuple[time, time]]:
    if not isinstance(given, Mapping):
        raise BadCadence("an object", field="quiet_hours", rule="object")
    quiet = {}
    for name, hours in given.items():
        where = f"quiet_hours/{name}"
        _known(hours, frozenset({"from", "until"}), where=where)
        quiet[_code(name, Channel, where=where)] = (
            _time(hours.get("from"), where=f"{where}/from"),
            _time(hours.get("until"), where=f"{where}/until"),
        )
    return quiet
