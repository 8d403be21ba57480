"""How long text messages and their senders are: 3GPP TS 23.038 (alphabets) and TS 23.040.

In the GSM 7 bit default alphabet one segment holds 160 septets, or 153 when it is one of several;
a character of the extension table takes two. Any other character makes the whole text UCS-2,
with 70 or 67 code units. A character of two septets or units is never cut in half.
"""

import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

# TS 23.038, 6.2.1: the basic table in the order of its codes; 0x1B is the escape.
BASIC: Final = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
# TS 23.038, 6.2.1.1: each is sent as the escape and a code.
EXTENSION: Final = "\f^{}\\[~]|€"

ESCAPE: Final = "\x1b"
SINGLES: Final = frozenset(BASIC) - {ESCAPE}
DOUBLES: Final = frozenset(EXTENSION)


class SmsAlphabet(StrEnum):
    """How the characters of a text message are sent."""

    GSM7 = "gsm7"
    UCS2 = "ucs2"


# TS 23.040, 9.1.2.5: an address has 12 octets; two say its length and type, ten hold 7-bit codes.
SENDER_UNITS: Final = 11

# (alone, one of several)
ROOM: Final = {SmsAlphabet.GSM7: (160, 153), SmsAlphabet.UCS2: (70, 67)}


@dataclass(frozen=True, slots=True)
class SmsLength:
    """Segments of a text; `units` are septets or code units. `odd` made it UCS-2."""

    alphabet: SmsAlphabet
    units: int
    segments: int
    odd: tuple[str, ...] = ()


def sms_length(text: str) -> SmsLength:
    """The length of a text message; an empty one takes no segment."""
    odd = tuple(dict.fromkeys(one for one in text if one not in SINGLES and one not in DOUBLES))
    alphabet = SmsAlphabet.UCS2 if odd else SmsAlphabet.GSM7
    sizes = [_units(one, alphabet) for one in text]
    alone, joined = ROOM[alphabet]
    units = sum(sizes)
    segments = (1 if units else 0) if units <= alone else _joined(sizes, room=joined)
    return SmsLength(alphabet, units, segments, odd)


def sms_sender(name: str) -> str:
    """What of a name fits as the sender of a text message, in whole words where the first fits.

    Characters that the alphabet has not are told without their marks, or left out; a name of which
    nothing is left gives an empty text.
    """
    words = "".join(map(_plain, name)).split()
    told = ""
    for word in words:
        longer = f"{told} {word}".strip()
        if _septets(longer) > SENDER_UNITS:
            break
        told = longer
    return told or _cut("".join(words[:1]))


def _plain(character: str) -> str:
    if character in SINGLES or character in DOUBLES:
        return character
    bare = unicodedata.normalize("NFKD", character)
    return "".join(one for one in bare if one in SINGLES)


def _septets(text: str) -> int:
    return sum(_units(one, SmsAlphabet.GSM7) for one in text)


def _cut(word: str) -> str:
    while _septets(word) > SENDER_UNITS:
        word = word[:-1]
    return word


def _units(character: str, alphabet: SmsAlphabet) -> int:
    if alphabet is SmsAlphabet.GSM7:
        return 2 if character in DOUBLES else 1
    return len(character.encode("utf-16-le")) // 2


def _joined(sizes: list[int], *, room: int) -> int:
    segments, used = 1, 0
    for size in sizes:
        if used + size > room:
            segments, used = segments + 1, 0
        used += size
    return segments
