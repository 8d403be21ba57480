"""Idempotency-Key (draft-ietf-httpapi-idempotency-key-header-07) on writes.

The key's row is written in the transaction of the effect, so both are there or neither. The first
2xx answer is stored and given again for seven days, byte for byte; a refusal stores nothing, and
the same key may be sent again. An answer can hold what belongs to a patient, and the row to no
chain: it is encrypted.
"""

import hashlib
import json
import re
from collections.abc import Callable
from datetime import timedelta
from functools import partial, wraps
from typing import Any, Final

from django.db import OperationalError, transaction
from django.http import HttpResponse
from django.utils import timezone
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from core.db import LOCK_TIMEOUT, sqlstate, unit
from core.errors import Conflict, Malformed, Refused
from core.models import IdempotencyRecord
from core.prepared import Prepared
from core.secrets_at_rest import decrypt, encrypt

HEADER: Final = "Idempotency-Key"
KEPT: Final = timedelta(days=7)
KEPT_HEADERS: Final = ("ETag", "Location")

QUOTED: Final = re.compile(r'"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"')
BYTES: Final = "latin-1"
"""Every byte is a character of it."""

CIPHERTEXT: Final = b"gAAAA"
"""How what Fernet makes begins, and no JSON or calendar does."""

BARE: Final = re.compile(r"[\x21\x23-\x7e][\x20-\x7e]*")
MAX_LENGTH: Final = 255

CLAIM: Final = Prepared("""
    INSERT INTO core_idempotencyrecord
        (id, caller, method, path, key, fingerprint, headers, body, created_at, expires_at)
    VALUES (
        %(id)s::uuid, %(caller)s::text, %(method)s::text, %(path)s::text, %(key)s::text,
        %(fingerprint)s::text, '{}', '', %(now)s::timestamptz, %(expires_at)s::timestamptz
    )
    ON CONFLICT DO NOTHING RETURNING id
""")
REMEMBER: Final = Prepared("""
    UPDATE core_idempotencyrecord
    SET status = %(status)s::smallint, headers = %(headers)s::text::jsonb, body = %(body)s::bytea
    WHERE id = %(id)s::uuid RETURNING id
""")

Method = Callable[..., Response | HttpResponse]


class IdempotencyKeyMissing(Malformed):
    """A repeat of this request would double its effect, so it needs a key."""

    code = "idempotency_key_missing"
    title = "This request needs an Idempotency-Key"


class IdempotencyKeyMalformed(Malformed):
    """The key is no quoted string, too long or empty."""

    code = "idempotency_key_malformed"
    title = "The Idempotency-Key is malformed"


class IdempotencyKeyReused(Refused):
    """The key was used for another body."""

    code = "idempotency_key_reused"
    title = "This Idempotency-Key was used for another request"


class IdempotencyInProgress(Conflict):
    """The first request with this key is still running."""

    code = "idempotency_in_progress"
    title = "The first request with this Idempotency-Key is still running"


def idempotent(*, required: bool) -> Callable[[Method], Method]:
    """Make a view method answer a repeated key with the first answer, byte for byte.

    With a key the whole method runs in one unit (commands join it) and again after a deadlock,
    so it must be fit to run again. Without one: refused when `required`, else run as it is.
    """

    def decorate(method: Method) -> Method:
        @wraps(method)
        def run(view: APIView, request: Request, *args: Any, **kwargs: Any) -> Any:
            key = read_key(request)
            call = partial(method, view, request, *args, **kwargs)
            if key is not None:
                return unit(partial(_answer_once, request, key=key, call=call))
            if required:
                raise IdempotencyKeyMissing
            return call()

        run.idempotency_required = required  # type: ignore[attr-defined]
        return run

    return decorate


def read_key(request: Request) -> str | None:
    """The key in the header, quoted (as the draft has it) or bare; None without the header.

    Raises IdempotencyKeyMalformed unless it has 1 to 255 printable ASCII characters.
    """
    header = request.headers.get(HEADER)
    if header is None:
        return None
    quoted = QUOTED.fullmatch(header.strip())
    if quoted is not None:
        key = re.sub(r"\\(.)", r"\1", quoted[1])
    else:
        key = header.strip() if BARE.fullmatch(header.strip()) else ""
    if not 1 <= len(key) <= MAX_LENGTH:
        raise IdempotencyKeyMalformed(f"Send 1 to {MAX_LENGTH} printable ASCII characters.")
    return key


def _answer_once(
    request: Request, *, key: str, call: Callable[[], Response | HttpResponse]
) -> HttpResponse:
    now = timezone.now()
    asked = IdempotencyRecord(
        caller=_caller(request),
        method=request.method or "",
        path=request.path,
        key=key,
        fingerprint=_fingerprint(request),
        created_at=now,
        expires_at=now + KEPT,
    )
    record = _claim(asked)
    if record.fingerprint != asked.fingerprint:
        raise IdempotencyKeyReused
    if record.pk != asked.pk:
        return _replay(record)
    response = call()
    if not 200 <= response.status_code < 300:
        transaction.set_rollback(True)
        return response
    _remember(record, response)
    return _stored(record)


def _claim(asked: IdempotencyRecord) -> IdempotencyRecord:
    """The one row of the key: ours when it is new. Waits for a first request still running."""
    try:
        ours = CLAIM.rows(
            id=asked.pk,
            caller=asked.caller,
            method=asked.method,
            path=asked.path,
            key=asked.key,
            fingerprint=asked.fingerprint,
            now=asked.created_at,
            expires_at=asked.expires_at,
        )
    except OperationalError as error:
        if sqlstate(error) != LOCK_TIMEOUT:
            raise
        raise IdempotencyInProgress from error
    if ours:
        return asked
    return IdempotencyRecord.objects.get(
        caller=asked.caller, method=asked.method, path=asked.path, key=asked.key
    )


def _remember(record: IdempotencyRecord, response: Response | HttpResponse) -> None:
    headers = {name: response.headers[name] for name in KEPT_HEADERS if name in response.headers}
    if not isinstance(response, Response):
        record.body = _sealed(response.content)
        headers["Content-Type"] = response.headers["Content-Type"]
    elif response.data is not None:
        record.body = _sealed(JSONRenderer().render(response.data))
        headers["Content-Type"] = JSONRenderer.media_type
    record.status = response.status_code
    record.headers = headers
    REMEMBER.rows(id=record.pk, status=record.status, headers=json.dumps(headers), body=record.body)


def _stored(record: IdempotencyRecord) -> HttpResponse:
    response = HttpResponse(opened(bytes(record.body)), status=record.status)
    if "Content-Type" not in record.headers:
        del response.headers["Content-Type"]
    for name, value in record.headers.items():
        response.headers[name] = value
    return response


def _sealed(body: bytes) -> bytes:
    return encrypt(body.decode(BYTES)).encode()


def opened(stored: bytes) -> bytes:
    """The body of an answer from the column that keeps it. Raises InvalidToken."""
    # Answers of before the encryption are kept for seven days at most.
    if not stored.startswith(CIPHERTEXT):
        return stored
    return decrypt(stored.decode()).encode(BYTES)


def _replay(record: IdempotencyRecord) -> HttpResponse:
    response = _stored(record)
    response.headers["Idempotency-Replayed"] = "true"
    return response


def _caller(request: Request) -> str:
    """A key belongs to the credential it came with: the hash of a hash, never the token."""
    digest = getattr(request.auth, "digest", None)
    told = f"token:{digest}" if digest else f"user:{request.user.pk}"
    return hashlib.sha256(told.encode()).hexdigest()


def _fingerprint(request: Request) -> str:
    query = sorted(request.query_params.lists())
    told = json.dumps([query, request.data], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(told.encode()).hexdigest()
