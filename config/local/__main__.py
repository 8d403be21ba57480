"""Command line: python -m config.local run | test | reset."""

import argparse
import signal
import sys
from types import FrameType

from config.local.reset import reset
from config.local.run import run
from config.local.suite import suite
from config.servers.errors import ServerTrouble

INTERRUPTED = 130


def main() -> int:
    """Do what the arguments say and return the exit code; trouble becomes one clear sentence."""
    parser = argparse.ArgumentParser(prog="python -m config.local", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    start = commands.add_parser("run", help="start the whole service and its servers")
    start.add_argument("--port", type=int, default=8000, help="first port to try (8000)")
    start.add_argument("--bare", action="store_true", help="without the demonstration chain")
    tests = commands.add_parser("test", help="run the test suite on servers of its own")
    tests.add_argument("arguments", nargs="*", help="passed on to pytest (after --)")
    commands.add_parser("reset", help="forget the data of `run`")
    chosen = parser.parse_args()
    for unwelcome in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(unwelcome, _as_interrupt)
    try:
        match chosen.command:
            case "run":
                return run(port=chosen.port, demonstration=not chosen.bare)
            case "test":
                return suite(chosen.arguments)
            case _:
                return reset()
    except ServerTrouble as trouble:
        print(f"\n{trouble.problem}\n{trouble.mend}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return INTERRUPTED


def _as_interrupt(_signal: int, _frame: FrameType | None) -> None:
    # Ends like Ctrl-C, so that servers are stopped on the way out.
    raise KeyboardInterrupt


if __name__ == "__main__":
    sys.exit(main())
