"""Upkeep of the kernel's own rows."""

from datetime import datetime
from typing import Final

from core.db import command
from core.models import IdempotencyRecord

BATCH: Final = 5_000


def idempotency_prune(*, now: datetime) -> int:
    """Forget the answers that need not be kept any longer; gives how many.

    In batches of 5 000 rows, each a transaction of its own, so that no lock is held for long.
    """
    forgotten = 0
    while batch := _prune_batch(now=now):
        forgotten += batch
    return forgotten


@command
def _prune_batch(*, now: datetime) -> int:
    keys = IdempotencyRecord.objects.expired_at(now).values("pk")[:BATCH]
    forgotten, _ = IdempotencyRecord.objects.filter(pk__in=keys).delete()
    return forgotten
