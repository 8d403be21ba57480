"""Which headers an answer has besides those of transport, as the OpenAPI document tells them."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final

from core.api.problem import MEDIA_TYPE

Response = dict[str, Any]

HEADERS: Final[dict[str, dict[str, Any]]] = {
    "RequestId": {
        "description": "The id of the request: the caller's, or a new one.",
        "required": True,
        "schema": {"type": "string", "minLength": 1, "maxLength": 128},
    },
    "ETag": {
        "description": "The entity tag: for If-None-Match and, where there is a version, If-Match.",
        "required": True,
        "schema": {"type": "string", "pattern": '^"[^"]+"$'},
    },
    "Link": {
        "description": "The first page, and the next and the previous where there are (RFC 8288).",
        "required": True,
        "schema": {"type": "string"},
    },
    "Location": {
        "description": "The address of what was made, or of what tells how far it is.",
        "required": True,
        "schema": {"type": "string", "format": "uri"},
    },
    "IdempotencyReplayed": {
        "description": "Present where this is the first answer to the key once more.",
        "schema": {"type": "string", "const": "true"},
    },
    "WWWAuthenticate": {
        "description": "By which credential to come back: `Bearer`, or `X-Session-Token`.",
        "required": True,
        "schema": {"type": "string"},
    },
    "RetryAfter": {
        "description": "In how many seconds the same may be sent again.",
        "required": True,
        "schema": {"type": "integer", "minimum": 0},
    },
    "RateLimitPolicy": {
        "description": "The quota of the caller: its name, how many requests, in how many seconds.",
        "schema": {"type": "string"},
    },
    "RateLimit": {
        "description": "What is left of the quota, and in how many seconds it begins anew.",
        "schema": {"type": "string"},
    },
}
"""Components of the document, by name. Quotas are told as long as the cache can be reached."""

WAITS: Final = frozenset({HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE})
MADE: Final = frozenset({HTTPStatus.CREATED, HTTPStatus.ACCEPTED})


def names_of(
    view: Any,
    response: Response,
    *,
    status: int,
    action: str,
    tagged: bool,
    paged: bool,
    keyed: bool,
) -> Mapping[str, str]:
    """Header -> component, of an answer of that status.

    `tagged`: what it shows has an entity tag. `paged`: it is a page of a list. `keyed`: the
    operation takes an Idempotency-Key. A view names in `unaddressed` those actions that make what
    has no address of its own.
    """
    good = status < HTTPStatus.BAD_REQUEST
    told = {"X-Request-ID": "RequestId"}
    if getattr(view, "throttle_classes", ()):
        told |= {"RateLimit-Policy": "RateLimitPolicy", "RateLimit": "RateLimit"}
    if good and tagged:
        told["ETag"] = "ETag"
    if good and paged:
        told["Link"] = "Link"
    if status in MADE and action not in getattr(view, "unaddressed", ()):
        told["Location"] = "Location"
    if good and keyed:
        told["Idempotency-Replayed"] = "IdempotencyReplayed"
    if status == HTTPStatus.UNAUTHORIZED:
        told["WWW-Authenticate"] = "WWWAuthenticate"
    if status in WAITS and MEDIA_TYPE in response.get("content", {}):
        told["Retry-After"] = "RetryAfter"
    return told
