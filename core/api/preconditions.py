"""Conditional requests (RFC 9110, section 13; 428 from RFC 6585) on the version of a row.

An ETag is `"<version>-<digest of the body>"`: the digest makes 304 true to the byte also where a
body shows more than its row; If-Match compares the version, which is what a write depends on. The
same compressed has `-gzip` at the end of its tag (`CompressionMiddleware`).
"""

import hashlib
import re
from typing import Any, Final, TypeVar

from django.http import HttpResponse
from django.utils.http import parse_etags
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from core.errors import PreconditionRequired, Stale

Answer = TypeVar("Answer", bound=HttpResponse)

GZIP: Final = "gzip"
OWN_TAG: Final = re.compile(rf'"(?P<version>[0-9]{{1,9}})(-[0-9a-f]+)?(-{GZIP})?"')


def etag(row: Any, data: Any) -> str:
    """The strong entity tag of a row shown as `data`; without a version only the body counts."""
    digest = hashlib.sha256(JSONRenderer().render(data)).hexdigest()[:16]
    version = getattr(row, "version", None)
    return f'"{digest}"' if version is None else f'"{version}-{digest}"'


def expected_version(request: Request, row: Any = None) -> int | None:
    """The version in If-Match; None for `*`, which accepts any.

    Raises PreconditionRequired without the header, Stale when it holds no tag of ours or (given
    the row) another version. The service checks again once it holds the lock.
    """
    header = request.headers.get("If-Match", "").strip()
    if not header:
        raise PreconditionRequired("Send the ETag you read last in If-Match.")
    if header == "*":
        return None
    tag = OWN_TAG.fullmatch(header)
    if tag is None:
        raise Stale("If-Match must hold one ETag of this resource, as it was sent, or *.")
    version = int(tag["version"])
    if row is not None:
        row.check_version(version)
    return version


def unless_known(request: Request, response: Answer, tag: str) -> Answer | Response:
    """The response with its ETag, or 304 without a body when If-None-Match names that tag."""
    response.headers["ETag"] = tag
    known = parse_etags(request.headers.get("If-None-Match", ""))
    bare = {given.removeprefix("W/").replace(f'-{GZIP}"', '"') for given in known}
    if request.method not in {"GET", "HEAD"} or not ({tag, "*"} & bare):
        return response
    kept = {name: response.headers[name] for name in ("ETag", "Link") if name in response.headers}
    return Response(status=304, headers=kept)
