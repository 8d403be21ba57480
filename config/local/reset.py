"""Forgetting what a local run has stored."""

import os

from config.local.places import RUN, STATE, say
from config.servers.choice import forget
from config.servers.folders import held


def reset() -> int:
    """Delete servers' data, outbox and credentials of `run`.

    Raises ServerTrouble while a run is going on.
    """
    STATE.mkdir(parents=True, exist_ok=True)
    with held(
        STATE / "run.lock",
        problem="The service is running here.",
        mend="Stop it with Ctrl-C first, then call make reset again.",
    ):
        forget(STATE, name=RUN.name)
    say("Forgotten. The next `make run` starts with fresh data.")
    if os.environ.get("DATABASE_URL"):
        say("The database of DATABASE_URL was left as it is.")
    return 0
