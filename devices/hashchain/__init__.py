"""The chain of digests through a laser's ledger: how an entry is encoded, and where it breaks.

A pure package: no Django. The database computes the same digest by itself when a row is written;
this is the second, independent reading of it.
"""

from devices.hashchain.encoding import FIRST, VERSION, Link, digest, encode
from devices.hashchain.walk import START, Break, Head, first_break

__all__ = [
    "FIRST",
    "START",
    "VERSION",
    "Break",
    "Head",
    "Link",
    "digest",
    "encode",
    "first_break",
]
