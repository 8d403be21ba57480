"""Conditional requests (RFC 9110, section 13; 428 from RFC 6585) on the version of a row.

An ETag is `"<version>-<digest of the body>"`: the digest makes 304 true to the byte also where a
body shows more than its row; If-Match compares the version, which is what a write depends on. The
same compressed has `-gzip` at the end of its tag (`CompressionMiddleware`), and is known by that
one to who takes gzip.
"""

import hashlib
import re
from typing import Any, Final, TypeVar

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.gzip import re_accepts_gzip
from django.utils.cache import patch_vary_headers
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

    Of several tags (RFC 9110, 13.1.1) that of the row counts or, without the row, the newest:
    versions only grow, so no other can hold. A weak one never does. Raises PreconditionRequired
    without the header, Stale when it holds no tag of ours or (given the row) other versions. The
    service checks again once it holds the lock.
    """
    header = request.headers.get("If-Match", "").strip()
    if not header:
        raise PreconditionRequired("Send the ETag you read last in If-Match.")
    if header == "*":
        return None
    tags = [OWN_TAG.fullmatch(one.strip()) for one in header.split(",")]
    versions = {int(tag["version"]) for tag in tags if tag is not None}
    if not versions:
        raise Stale("If-Match must hold an ETag of this resource, as it was sent, or *.")
    if row is not None and row.version in versions:
        return int(row.version)
    version = max(versions)
    if row is not None:
        row.check_version(version)
    return version


def unless_known(request: Request, response: Answer, tag: str) -> Answer | Response:
    """The response with its ETag, or 304 without a body when If-None-Match names that tag."""
    response.headers["ETag"] = tag
    known = known_tag(request, tag) if request.method in {"GET", "HEAD"} else None
    if known is None:
        return response
    kept = {name: response.headers[name] for name in ("Link", "Vary") if name in response.headers}
    return unchanged(Response(status=304, headers=kept), known)


def known_tag(request: HttpRequest | Request, tag: str) -> str | None:
    """The tag by which If-None-Match knows what has this one, compressed or not; else None."""
    named = {
        one.removeprefix("W/") for one in parse_etags(request.headers.get("If-None-Match", ""))
    }
    compressed = compressed_tag(tag)
    if compressed in named and takes_gzip(request):
        return compressed
    return tag if {tag, "*"} & named else None


def unchanged(response: Answer, known: str) -> Answer:
    """The 304 with the headers by which a cache finds what it has (RFC 9110, 15.4.5)."""
    response.headers["ETag"] = known
    vary_by_encoding(response)
    return response


def compressed_tag(tag: str) -> str:
    """The tag of the same, compressed."""
    return f'{tag[:-1]}-{GZIP}"'


def takes_gzip(request: HttpRequest | Request) -> bool:
    """Whether it is answered compressed, as far as it is for the caller to say."""
    return bool(re_accepts_gzip.search(request.headers.get("Accept-Encoding", "")))


def vary_by_encoding(response: HttpResponseBase) -> None:
    """Say that the answer is another one to who takes another encoding."""
    patch_vary_headers(response, ("Accept-Encoding",))
