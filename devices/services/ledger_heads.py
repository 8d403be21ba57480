"""Heads of the ledger's chains, noted, so that a tail that is cut off is missed."""

from datetime import datetime

from core.db import command
from devices.models import Laser, LedgerHead
from devices.selectors.ledger_chain import heads_to_note


@command
def ledger_heads_note(*, now: datetime) -> int:
    """Note the last digest of every laser whose ledger has grown since the last note.

    Safe to run twice. Returns how many were noted.
    """
    found = heads_to_note([*Laser.objects.values_list("pk", flat=True)])
    rows = [
        LedgerHead(laser_id=laser_id, sequence=head.sequence, digest=head.digest, noted_at=now)
        for laser_id, head in found.items()
    ]
    return len(LedgerHead.objects.bulk_create(rows, ignore_conflicts=True))
