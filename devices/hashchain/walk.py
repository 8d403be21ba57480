"""A walk along the chain of one laser, up to the first break."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from devices.hashchain.encoding import FIRST, VERSION, Link, digest
from devices.vocabulary import LedgerBreak


@dataclass(frozen=True, slots=True)
class Head:
    """The digest that the chain had at an entry, noted at some time somewhere."""

    sequence: int
    digest: bytes


@dataclass(frozen=True, slots=True)
class Break:
    """Where a chain stops being what was written: which place, what is wrong, what stands there.

    `entry` is the id of the row at that place; None when there is none.
    """

    sequence: int
    kind: LedgerBreak
    entry: int | None
    expected: bytes | None = None
    found: bytes | None = None


START: Final = Head(0, FIRST)


def first_break(
    links: Iterable[Link], *, noted: Iterable[Head] = (), after: Head = START
) -> Break | None:
    """Follow the entries of one laser in the order of `sequence`, up to the first break.

    `noted` are heads kept elsewhere: they find a tail that was cut off, and a chain that was
    written anew from some entry on. `after` is an entry known to be right; without it the walk
    begins at the first. None when the chain holds.
    """
    heads = [*noted]
    noted_at = {head.sequence for head in heads}
    before = after
    for link in links:
        found = _break_at(link, before=before)
        if found is None and link.sequence in noted_at:
            found = _off_note(link, heads)
        if found is not None:
            return found
        before = Head(link.sequence, link.digest)
    return _cut_off(before, heads)


def _break_at(link: Link, *, before: Head) -> Break | None:
    if link.sequence <= before.sequence:
        return Break(link.sequence, LedgerBreak.ENTRY_ADDED, link.id)
    if link.sequence != before.sequence + 1:
        return Break(before.sequence + 1, LedgerBreak.ENTRY_MISSING, None)
    computed = digest(link)
    if link.encoding != VERSION or computed != link.digest:
        return Break(
            link.sequence, LedgerBreak.CONTENT_CHANGED, link.id, computed, found=link.digest
        )
    if link.previous != before.digest:
        return Break(
            link.sequence, LedgerBreak.PREVIOUS_DIFFERS, link.id, link.previous, before.digest
        )
    return None


def _off_note(link: Link, heads: Iterable[Head]) -> Break | None:
    for noted in heads:
        if noted.sequence == link.sequence and noted.digest != link.digest:
            return Break(
                link.sequence, LedgerBreak.HEAD_DIFFERS, link.id, noted.digest, link.digest
            )
    return None


def _cut_off(last: Head, heads: Iterable[Head]) -> Break | None:
    beyond = [head for head in heads if head.sequence > last.sequence]
    if not beyond:
        return None
    noted = min(beyond, key=lambda head: head.sequence)
    return Break(last.sequence + 1, LedgerBreak.TAIL_MISSING, None, noted.digest)
