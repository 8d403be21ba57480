"""Work that leaves the request: sent after commit, never trusted to arrive.

What is due is a row with a due time, which the beat's tick finds. A message to the broker only
makes that sooner, so a broker that is down costs a delay and nothing else.
"""

import logging
from functools import partial

from celery import current_app
from django.db import transaction
from kombu.exceptions import KombuError

logger = logging.getLogger(__name__)

Plain = str | int | bool | None | list[int] | list[str]


def enqueue(task_name: str, **kwargs: Plain) -> None:
    """Send the task once the open transaction is committed (at once when there is none).

    Pass ids, not rows. A broker that cannot be reached is logged and nothing is raised.
    """
    transaction.on_commit(partial(_send, task_name, kwargs), robust=True)


def _send(task_name: str, kwargs: dict[str, Plain]) -> None:
    try:
        current_app.send_task(task_name, kwargs=kwargs)
    except (KombuError, OSError) as error:
        logger.warning("Broker unreachable; %s is left to the next tick: %s", task_name, error)


def broker_reachable() -> bool:
    """Whether the broker answers within a second."""
    try:
        with current_app.connection_for_write() as link:
            link.ensure_connection(max_retries=0, timeout=1)
    except (KombuError, OSError):
        return False
    return True
