"""Where local runs keep their things: inside the project, ignored by git, unless told otherwise."""

import os
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
STATE = Path(os.environ.get("FALLOW_STATE_DIR", PROJECT / ".local"))
RUN = STATE / "run"
# What `make run` tells its second terminals and its demonstration.
ADDRESSES = RUN / "addresses.env"
CREDENTIALS = RUN / "credentials.json"


def say(line: str) -> None:
    """One line of progress, shown at once."""
    print(f"  {line}", flush=True)
