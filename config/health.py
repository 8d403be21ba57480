"""Whether a process of the service is well, asked from inside its container.

Exit code 0 when it is: python -m config.health web | worker | beat
"""

import os
import socket
import sys
import time
import urllib.request
from pathlib import Path

from config.celery import app

# Beat writes its state every three minutes.
BEAT_SILENCE_SECONDS = 600


def web() -> bool:
    """The web server answers its health address."""
    host = os.environ.get("FALLOW_ALLOWED_HOSTS", "localhost").split(",")[0].strip()
    address = f"http://127.0.0.1:{os.environ.get('PORT', '8000')}/api/v1/health"
    request = urllib.request.Request(address, headers={"Host": host, "X-Forwarded-Proto": "https"})
    try:
        with urllib.request.urlopen(request, timeout=8) as answer:  # noqa: S310
            return int(answer.status) == 200
    except OSError:
        return False


def worker() -> bool:
    """The worker of this host answers through the broker."""
    name = f"celery@{socket.gethostname()}"
    return bool(app.control.ping(destination=[name], timeout=5))


def beat() -> bool:
    """Beat has written its state lately."""
    state = Path(os.environ["FALLOW_BEAT_STATE"])
    written = [path.stat().st_mtime for path in state.parent.glob(f"{state.name}*")]
    return bool(written) and time.time() - max(written) < BEAT_SILENCE_SECONDS


def main() -> int:
    """Ask the part named by the argument."""
    parts = {"web": web, "worker": worker, "beat": beat}
    part = parts.get(sys.argv[1] if len(sys.argv) > 1 else "")
    if part is None:
        sys.stderr.write(f"Name one of: {', '.join(parts)}\n")
        return 2
    return 0 if part() else 1


if __name__ == "__main__":
    sys.exit(main())
