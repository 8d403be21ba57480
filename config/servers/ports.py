"""Ports on this machine's loopback address."""

import socket
from contextlib import closing

from config.servers.errors import ServerTrouble

LOOPBACK = "127.0.0.1"


def port_is_free(port: int) -> bool:
    """Whether a server could listen on the port now."""
    with closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
    return True


def any_free_port() -> int:
    """A port that nobody listens on, chosen by the system."""
    with closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)) as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
    return port


def first_free_port(preferred: int, *, tries: int = 20) -> int:
    """`preferred` or the next free port after it.

    Raises ServerTrouble when none of the `tries` ports is free.
    """
    for port in range(preferred, preferred + tries):
        if port_is_free(port):
            return port
    raise ServerTrouble(
        f"The ports {preferred} to {preferred + tries - 1} are all taken.",
        mend="Choose another one: make run PORT=9000.",
    )
