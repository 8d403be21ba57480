"""Eyewear at booking: refused, or told, when the room has none that fits."""

from datetime import datetime

from clinics.querysets import HasChain
from core.db import step
from courses.selectors.protection import visit_eyewear
from courses.selectors.visits import Visit
from devices.errors import EyewearMissing
from devices.selectors import eyewear_json
from devices.vocabulary import EyewearCheck


@step
def refuse_unprotected(visit: Visit, *, actor: HasChain, now: datetime) -> None:
    """Raise EyewearMissing where the chain refuses visits without fitting eyewear. One query."""
    standing = visit_eyewear(visit, only=EyewearCheck.REFUSE, actor=actor, now=now)
    if standing is not None and standing.check.lacking:
        told = eyewear_json(standing)
        raise EyewearMissing(standing.check.text, lacking=told["lacking"], firings=told["firings"])
