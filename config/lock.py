"""Writing the locked requirement files: hashes, no index addresses, for all Pythons at once."""

import os
import subprocess
import sys
from pathlib import Path

from config.local.places import PROJECT, say

# Each set is bound to the versions of the one before it.
SETS = (("base", None), ("local", "base"), ("dev", "local"))
BIN = Path(sys.executable).parent
OPTIONS = (
    "--universal",
    "--python-version=3.11",
    # The same versions for every Python, so that results are the same everywhere.
    "--fork-strategy=fewest",
    "--generate-hashes",
    "--no-emit-index-url",
    "--no-emit-find-links",
    "--no-header",
    "--no-config",
    "--quiet",
)


def main() -> int:
    """Run uv for each set; returns the exit code."""
    # A find-links folder of this machine must not leak into the files.
    environment = {name: value for name, value in os.environ.items() if "FIND_LINKS" not in name}
    for name, bound in SETS:
        say(f"Locking {name}")
        command = [
            str(BIN / "uv"),
            "pip",
            "compile",
            *OPTIONS,
            f"{name}.in",
            "--output-file",
            f"{name}.txt",
        ]
        command += ["--constraint", f"{bound}.txt"] if bound else []
        code = subprocess.run(
            command, check=False, cwd=PROJECT / "requirements", env=environment
        ).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    sys.exit(main())
