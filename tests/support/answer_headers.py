"""Whether an answer has the headers that the OpenAPI document declares, and no others."""

from collections.abc import Mapping
from typing import Any

from tests.support.operations import resolved

OF_TRANSPORT = {
    name.lower()
    for name in (
        # RFC 9110, 8: about the body, which the document tells by its media types.
        "Content-Type",
        "Content-Length",
        "Content-Encoding",
        # RFC 9110, 10.2.1: the framework adds it everywhere; the document lists the methods.
        "Allow",
        # For caches and for proxies between.
        "Cache-Control",
        "Vary",
        "X-Accel-Buffering",
        # For browsers and for those who make indexes.
        "Content-Security-Policy",
        "Cross-Origin-Opener-Policy",
        "Referrer-Policy",
        "X-Content-Type-Options",
        "X-Frame-Options",
        "X-Robots-Tag",
    )
}


def torn(told: Mapping[str, Any] | None, sent: Mapping[str, str]) -> list[str]:
    """In which headers an answer and what the document says of it differ."""
    if told is None:
        return ["a status that the document does not have"]
    declared = {name.lower(): resolved(one) for name, one in told.get("headers", {}).items()}
    has = {name.lower() for name in sent}
    needed = {name for name, one in declared.items() if one.get("required")}
    return [
        *(f"not declared: {name}" for name in sorted(has - declared.keys() - OF_TRANSPORT)),
        *(f"not sent: {name}" for name in sorted(needed - has)),
    ]
