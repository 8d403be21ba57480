"""What the entries of the waiting list say."""

from datetime import time

from courses.models import WaitingListEntry
from courses.slots import TimeWish


def wishes_of_entry(entry: WaitingListEntry) -> tuple[TimeWish, ...]:
    """The times at which the patient can come, as the search takes them."""
    return tuple(
        TimeWish(
            weekdays=frozenset(wish["weekdays"]),
            since=time.fromisoformat(wish["since"]),
            until=time.fromisoformat(wish["until"]),
        )
        for wish in entry.wishes
    )
