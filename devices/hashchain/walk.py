"""A walk along the chain of one laser, up to the first break."""

from collections.abc import Iterable
from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Walk:
    """What a walk saw: how many entries, the last one's digest, and the first break if any."""

    entries: int
    head: Head | None
    first_break: Break | None


def walk(links: Iterable[Link], *, noted: Iterable[Head] = ()) -> Walk:
    """Follow the entries of one laser in the order of `sequence`.

    `noted` are heads kept elsewhere: they find a tail that was cut off, and a chain that was
    written anew from some entry on.
    """
    heads = {head.sequence: head for head in noted}
    before = Head(0, FIRST)
    entries, first = 0, None
    for link in links:
        entries += 1
        first = first or _break_at(link, before=before) or _off_note(link, heads)
        before = Head(link.sequence, link.digest)
    first = first or _cut_off(before, heads)
    return Walk(entries=entries, head=before if entries else None, first_break=first)


def _break_at(link: Link, *, before: Head) -> Break | None:
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


def _off_note(link: Link, heads: dict[int, Head]) -> Break | None:
    noted = heads.get(link.sequence)
    if noted is None or noted.digest == link.digest:
        return None
    return Break(link.sequence, LedgerBreak.HEAD_DIFFERS, link.id, noted.digest, link.digest)


def _cut_off(last: Head, heads: dict[int, Head]) -> Break | None:
    beyond = [sequence for sequence in heads if sequence > last.sequence]
    if not beyond:
        return None
    noted = heads[min(beyond)]
    return Break(last.sequence + 1, LedgerBreak.TAIL_MISSING, None, noted.digest)
