"""Counts of requests and how long they took, in the text format that Prometheus reads.

Web processes share them through a folder (`PROMETHEUS_MULTIPROC_DIR`, set by config/gunicorn.py),
so that whichever process answers tells the numbers of all.
"""

import os
from typing import Final

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector

SECONDS: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
METHODS: Final = frozenset({"DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT"})

_own = CollectorRegistry()
_requests: Final = Histogram(
    "fallow_request_seconds",
    "Requests by method, pattern of the address and status, with the seconds until they answered.",
    ("method", "route", "status"),
    buckets=SECONDS,
    registry=_own,
)


def count_request(method: str | None, *, route: str, status: int, seconds: float) -> None:
    """One request more. Methods that HTTP does not know count as one, so that labels stay few."""
    known = method if method in METHODS else "other"
    _requests.labels(known, route, str(status)).observe(seconds)


def traffic() -> str:
    """The counts of all web processes of this host, since they started."""
    registry = _own
    if "PROMETHEUS_MULTIPROC_DIR" in os.environ:
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    return generate_latest(registry).decode()
