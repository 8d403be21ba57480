"""How many segments a text message takes: 3GPP TS 23.038 (alphabets) and TS 23.040 (joining).

In the GSM 7 bit default alphabet one segment holds 160 septets, or 153 when it is one of several;
a character of the extension table takes two. Any other character makes the whole text UCS-2,
with 70 or 67 code units. A character of two septets or units is never cut in half.
"""

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
