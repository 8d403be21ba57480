"""Where the data of local servers lie."""

import fcntl
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from config.servers.errors import ServerTrouble
from config.servers.identity import Identity

OUTSIDE = Path("/var/tmp")  # noqa: S108 - survives a restart; ownership is checked below


def state_folder(state: Path, *, name: str, identity: Identity) -> Path:
    """Folder `name` for servers' data inside the folder `state`, made when missing.

    When we are root and `state` stands where the servers' user cannot enter (such as in root's
    home), it lies in the system's folder for lasting temporary files instead. Raises
    ServerTrouble when somebody else has taken that name.
    """
    inside = state / name
    inside.mkdir(parents=True, exist_ok=True)
    if identity.can("x", inside):
        return inside
    outside = outside_folder(state) / name
    _make_owned(outside.parent)
    outside.mkdir(mode=0o755, exist_ok=True)
    return outside


def outside_folder(state: Path) -> Path:
    """Stands for a `state` folder that the servers' user cannot enter."""
    mark = hashlib.sha256(str(state.resolve()).encode()).hexdigest()[:12]
    return OUTSIDE / f"fallow-{mark}"


def _make_owned(folder: Path) -> None:
    folder.mkdir(mode=0o755, exist_ok=True)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
        raise ServerTrouble(
            f"{folder} belongs to somebody else.",
            mend="Remove it, or move the project to a folder that every user may enter.",
        )


def folders_of(state: Path, *, name: str) -> list[Path]:
    """Wherever servers of that name have left something."""
    places = (state / name, outside_folder(state) / name)
    return [folder for folder in places if folder.is_dir()]


@contextmanager
def held(lock: Path, *, problem: str, mend: str) -> Iterator[None]:
    """Hold the lock file while the block runs; the system lets go of it when we die.

    Raises ServerTrouble with these words when another process holds it.
    """
    with lock.open("a") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ServerTrouble(problem, mend=mend) from None
        yield
