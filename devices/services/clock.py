"""How far a caller's clock may run ahead of ours when it says that something has happened."""

from datetime import datetime, timedelta
from typing import Final

from devices.errors import InTheFuture

CLOCKS_DIFFER: Final = timedelta(minutes=2)


def refuse_future(at: datetime, *, field: str, now: datetime) -> None:
    """Raise InTheFuture when the instant lies more than two minutes ahead of `now`."""
    if at > now + CLOCKS_DIFFER:
        raise InTheFuture(field=field, at=at.isoformat(), now=now.isoformat())
