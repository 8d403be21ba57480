"""Invented names: words nobody is called by, put together at random."""

from itertools import product
from random import Random


def _words(text: str) -> list[str]:
    return text.split()


GIVEN = _words(
    "Aldrune Bexara Corvith Dallume Elzora Fenquill Gorwyn Hazlit Ithrane Jorvella Kestrin Lumbry "
    "Morvane Nexolie Orswith Pellamy Quorlin Rastelle Sorvick Tamblyre Undrel Vexmoor Wilthorne "
    "Xandrelle Yorrick Zevmara Ambriel Brundle Cassowen Dorrimay Embrick Flindra Grellow Hixabel "
    "Immerly Joskin Krellan Lothmere Mindrew Nollibeth"
)
FAMILY = _words(
    "Applequiver Bramblevane Copperlark Dustwhistle Emberquay Fernlantern Glasspebble Hollowmint "
    "Inkwillow Jadefeather Kettlemoor Larchbutton Mossgrammar Nettlecloud Oatcandle Pebblewren "
    "Quillharbour Rushpocket Saltmirror Thistlebell Umberthread Velvetcrane Waxheron Yarrowstep "
    "Zincmeadow Ashteaspoon Birchpuzzle Cloudanvil Driftbasket Elmcomet"
)

MOST_PEOPLE = len(GIVEN) * len(FAMILY)


def people(count: int, *, chance: Random) -> list[tuple[str, str]]:
    """So many different (given, family) names. Raises ValueError beyond MOST_PEOPLE."""
    return chance.sample(list(product(GIVEN, FAMILY)), count)


def email_of(given: str, family: str) -> str:
    """An address on a domain that RFC 2606 keeps for examples: no mail arrives there."""
    return f"{given}.{family}@example.org".lower()


def phone_of(number: int) -> str:
    """A number out of the range kept for drama in the United Kingdom (from memory)."""
    return f"+447700900{number % 1000:03d}"
