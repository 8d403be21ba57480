"""Who the servers run as: ourselves, or an unprivileged user when we are root."""

import os
import pwd
import subprocess
from dataclasses import dataclass
from pathlib import Path

from config.servers.errors import ServerTrouble

# Users that systems bring along; PostgreSQL refuses to run as root.
UNPRIVILEGED = ("nobody", "daemon", "postgres")


@dataclass(frozen=True, slots=True)
class Identity:
    """A user id and group id to start processes as; None means as we are."""

    uid: int | None = None
    gid: int | None = None

    def own(self, path: Path) -> None:
        """Hand the file or folder to this user."""
        if self.uid is not None and self.gid is not None:
            os.chown(path, self.uid, self.gid)

    def can(self, what: str, path: Path) -> bool:
        """Whether this user may do `what` ("r", "w" or "x") with the path, tried for real."""
        command = ["test", f"-{what}", str(path)]
        done = subprocess.run(command, check=False, cwd="/", user=self.uid, group=self.gid)
        return done.returncode == 0


def server_identity(*, keeper: Path | None = None) -> Identity:
    """The user to run servers as: the owner of the `keeper` folder where it exists already.

    Raises ServerTrouble when we are root and the system has no unprivileged user.
    """
    if os.geteuid() != 0:
        return Identity()
    if keeper is not None and keeper.exists() and keeper.stat().st_uid != 0:
        return Identity(uid=keeper.stat().st_uid, gid=keeper.stat().st_gid)
    for name in UNPRIVILEGED:
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Identity(uid=entry.pw_uid, gid=entry.pw_gid)
    raise ServerTrouble(
        "PostgreSQL refuses to run as root, and this system has no unprivileged user.",
        mend="Run the command as an ordinary user, or set DATABASE_URL and REDIS_URL.",
    )
