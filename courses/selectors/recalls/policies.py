"""The cadence of a chain: the version in force, and any version by its number."""

from functools import lru_cache
from typing import Final

from django.db.models import Max

from courses.models import RecallPolicy
from courses.timing import Cadence, cadence_of
from courses.timing.cadence import DEFAULT

KEPT: Final = 512


def cadence_in_force(chain_id: int) -> Cadence:
    """The newest cadence of the chain, or the default. One query, and one for a new version."""
    return cadence_numbered(chain_id, number_in_force(chain_id))


def number_in_force(chain_id: int) -> int:
    """The number of the newest version; 0 for the default. One query."""
    found = RecallPolicy.objects.filter(chain=chain_id).aggregate(newest=Max("number"))
    return int(found["newest"] or 0)


def numbers_in_force() -> dict[int, int]:
    """The newest version of every chain that has one, by chain. One query."""
    return dict(
        RecallPolicy.objects.order_by("chain")
        .values("chain")
        .annotate(newest=Max("number"))
        .values_list("chain", "newest")
    )


def cadence_numbered(chain_id: int, number: int) -> Cadence:
    """A version of the chain's cadence. A version never changes, so that it is read once."""
    return _read(chain_id, number) if number else DEFAULT


@lru_cache(maxsize=KEPT)
def _read(chain_id: int, number: int) -> Cadence:
    document = RecallPolicy.objects.values_list("document", flat=True).get(
        chain=chain_id, number=number
    )
    return cadence_of(document, number=number)
