"""How an entry of the ledger becomes bytes, version 1, and the digest of these.

The bytes are those of a row in PostgreSQL's binary format: the number of columns, then for each
the number of its type, its length (-1: NULL) and its value, all big-endian. So no content can be
read in two ways: types and lengths stand before the values. Texts are UTF-8 and count as bytes;
instants are microseconds since 2000-01-01 UTC; floats are IEEE 754. The digest is SHA-256
(FIPS 180-4) of these bytes, which begin with the version and the digest of the entry before.
"""

import hashlib
from datetime import UTC, datetime, timedelta
from struct import pack
from typing import Final, NamedTuple

VERSION: Final = 1
FIRST: Final = bytes(32)
"""What the first entry of a laser carries in place of a digest before it."""

BYTES, BIG, SMALL, FLOAT, INSTANT = 17, 20, 21, 701, 1184
EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)
MICROSECOND: Final = timedelta(microseconds=1)


class Link(NamedTuple):
    """One entry as the ledger stores it, in the order of the encoding; `digest` is not encoded."""

    encoding: int
    previous: bytes
    id: int
    laser: int
    sequence: int
    handpiece: int
    line: int
    pulses: int
    purpose: str
    operator: int
    fired_at: datetime
    ended_at: datetime | None
    spot_mm: float | None
    fluence_j_cm2: float | None
    rate_hz: float | None
    energy_j: float | None
    total_energy_j: float | None
    area_cm2: float | None
    average_power_w: float | None
    corrects: int | None
    reason: str
    source: str
    entry_key: str
    created_at: datetime
    digest: bytes


COLUMNS: Final = len(Link._fields) - 1


def encode(link: Link) -> bytes:
    """The bytes of an entry that its digest is made of."""
    return b"".join(
        (
            pack("!i", COLUMNS),
            pack("!iih", SMALL, 2, link.encoding),
            _bytes(link.previous),
            _whole(link.id),
            _whole(link.laser),
            _whole(link.sequence),
            _whole(link.handpiece),
            _whole(link.line),
            _whole(link.pulses),
            _bytes(link.purpose.encode()),
            _whole(link.operator),
            _instant(link.fired_at),
            _instant(link.ended_at),
            _float(link.spot_mm),
            _float(link.fluence_j_cm2),
            _float(link.rate_hz),
            _float(link.energy_j),
            _float(link.total_energy_j),
            _float(link.area_cm2),
            _float(link.average_power_w),
            _whole(link.corrects),
            _bytes(link.reason.encode()),
            _bytes(link.source.encode()),
            _bytes(link.entry_key.encode()),
            _instant(link.created_at),
        )
    )


def digest(link: Link) -> bytes:
    """The 32 bytes that the entry must carry."""
    return hashlib.sha256(encode(link)).digest()


def _whole(value: int | None) -> bytes:
    return pack("!ii", BIG, -1) if value is None else pack("!iiq", BIG, 8, value)


def _float(value: float | None) -> bytes:
    return pack("!ii", FLOAT, -1) if value is None else pack("!iid", FLOAT, 8, value)


def _instant(value: datetime | None) -> bytes:
    if value is None:
        return pack("!ii", INSTANT, -1)
    return pack("!iiq", INSTANT, 8, (value - EPOCH) // MICROSECOND)


def _bytes(value: bytes) -> bytes:
    return pack("!ii", BYTES, len(value)) + value
