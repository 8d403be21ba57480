"""The words of a text with places for facts: `$given_name` or `${clinic}`, and nothing else.

A place is a name: no expression, no attribute, no format. What a text must and may speak of is
known for each, so that a wrong name is found when it is saved and not when it is sent.

Whoever is written to must be able to say that it is enough: all but `moved` must say the address at
which they can. That one tells only what became of a visit that the patient has booked.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from string import Template
from typing import Final

from courses.channels.segments import sms_length
from courses.vocabulary import RecallKind

ANYWHERE: Final = frozenset({"given_name", "clinic", "link"})
ABOUT_VISIT: Final = ANYWHERE | {"visit_time", "visit_day"}
# What each text may speak of, and what it must.
MAY: Final[Mapping[str, frozenset[str]]] = {
    "invitation": ANYWHERE,
    "invitation-ahead": ANYWHERE | {"ready_on"},
    "invitation-again": ANYWHERE,
    "reminder": ABOUT_VISIT,
    "moved": ABOUT_VISIT,
    "aftercare": ANYWHERE,
}
MUST: Final[Mapping[str, frozenset[str]]] = {
    "invitation": frozenset({"clinic", "link"}),
    "invitation-ahead": frozenset({"clinic", "link"}),
    "invitation-again": frozenset({"clinic", "link"}),
    "reminder": frozenset({"clinic", "visit_time", "link"}),
    "moved": frozenset({"clinic", "visit_time"}),
    "aftercare": frozenset({"clinic", "link"}),
}
# What each text is written for: only there are the facts that it speaks of.
KIND: Final[Mapping[str, RecallKind]] = {
    "invitation": RecallKind.INVITATION,
    "invitation-ahead": RecallKind.INVITATION,
    "invitation-again": RecallKind.INVITATION,
    "reminder": RecallKind.REMINDER,
    "moved": RecallKind.CHANGE,
    "aftercare": RecallKind.AFTERCARE,
}
# Longer ones cost what a letter does, and few phones show them as one. Asked with the longest facts
# that are usual when words are saved, and with its own facts when a message is to leave.
MOST_SEGMENTS: Final = 6
# Of a text: a name, the words that tell a visit's time, an address to reply at.
LONGEST: Final[Mapping[str, str]] = {
    "given_name": "A" * 20,
    "clinic": "C" * 40,
    "visit_time": "Wednesday 30 September 2026 at 10:00",
    "visit_day": "30 September",
    "ready_on": "Wednesday 30 September 2026",
    "link": "https://" + "r" * 60,
}


@dataclass(frozen=True, slots=True)
class Wording:
    """One text: a letter with its subject, and the same short, for a text message."""

    subject: str
    body: str
    short: str

    def parts(self) -> dict[str, str]:
        """Each part by its name."""
        return {"subject": self.subject, "body": self.body, "short": self.short}


@dataclass(frozen=True, slots=True)
class Flaw:
    """What is wrong with one part of a wording."""

    part: str
    code: str
    detail: str


class FactMissing(LookupError):
    """The words speak of what is not known of this message; the argument names the place."""


class _Places(Template):
    idpattern = r"(?a:[a-z][a-z_]*)"
    flags = re.NOFLAG


def filled(words: str, facts: Mapping[str, str]) -> str:
    """The words with the facts in their places. Raises FactMissing for a place without a fact."""
    template = _Places(words)
    missing = sorted(name for name in set(template.get_identifiers()) if not facts.get(name))
    if missing:
        raise FactMissing(missing[0])
    return template.substitute(facts)


def flaws(name: str, wording: Wording) -> list[Flaw]:
    """What is wrong with the words of the text of that name; nothing when it can be sent."""
    found = [
        flaw for part, words in wording.parts().items() for flaw in _of_part(name, part, words)
    ]
    for part in ("body", "short"):
        words = wording.parts()[part]
        if _Places(words).is_valid():
            missing = MUST[name] - set(_Places(words).get_identifiers())
            found += [
                Flaw(part, "place_missing", f"This text must say ${one}.")
                for one in sorted(missing)
            ]
    if "\n" in wording.subject or "\r" in wording.subject:
        found.append(Flaw("subject", "one_line", "A subject is one line."))
    return found or _too_long(wording.short)


def longest(words: str) -> str:
    """The words with the longest facts that are usual in their places."""
    return filled(words, LONGEST)


def _too_long(short: str) -> list[Flaw]:
    length = sms_length(longest(short))
    if length.segments <= MOST_SEGMENTS:
        return []
    why = f"; {' '.join(length.odd)} halve what a segment holds" if length.odd else ""
    detail = (
        f"With the longest facts this takes {length.segments} segments of a text message; "
        f"{MOST_SEGMENTS} are the most{why}."
    )
    return [Flaw("short", "too_long", detail)]


def _of_part(name: str, part: str, words: str) -> list[Flaw]:
    if not words.strip():
        return [Flaw(part, "blank", "There must be words.")]
    template = _Places(words)
    if not template.is_valid():
        return [Flaw(part, "malformed", "A $ begins the name of a place; write $$ for the sign.")]
    unknown = set(template.get_identifiers()) - MAY[name]
    known = ", ".join(f"${one}" for one in sorted(MAY[name]))
    return [
        Flaw(part, "place_unknown", f"There is no ${one} in this text; there are {known}.")
        for one in sorted(unknown)
    ]
