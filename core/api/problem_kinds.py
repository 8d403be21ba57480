"""What each code of a problem document means, and what to do about it."""

from collections.abc import Iterator
from dataclasses import dataclass
from http import HTTPStatus
from typing import Final

from core.api.translation import status_of
from core.errors import DomainError


@dataclass(frozen=True, slots=True)
class ProblemKind:
    """A code with the statuses that it comes with."""

    code: str
    statuses: tuple[int, ...]
    title: str
    meaning: str

    def advice(self) -> str:
        """What whoever asked can do."""
        return ADVICE.get(self.statuses[0], UNREAD)


UNREAD: Final = "Mend the request; as it is, it will be refused each time."
ADVICE: Final[dict[int, str]] = {
    400: "Mend what `errors` or `detail` name; as it is, the request will be refused each time.",
    401: "Sign in, or send a credential that holds still, and ask again.",
    403: "Ask somebody whose role allows it, or a manager of the chain for the role.",
    404: "Look whether the address and its numbers are right; it may have been taken away.",
    406: "Ask for a media type that the document names for this address.",
    409: "Read what is there now, and choose anew; the members beside say what is in the way.",
    412: "Read it again, look whether the change is still wanted, and send it with the new ETag.",
    413: "Send less at once.",
    415: "Send one of the media types that the document names, as a rule `application/json`.",
    422: "A rule stands against it, which `detail` and the members beside name. Mend what it asks "
    "for; if it is about a patient's safety, the treating clinician or the laser safety officer "
    "decides, not this service.",
    428: "Read it, and send the ETag that you got in `If-Match`.",
    429: "Wait for as many seconds as `Retry-After` says, and ask again.",
    500: "Nothing was done. Name the `request_id` when you report it.",
    503: "Wait for as many seconds as `Retry-After` says, and send the same again, under the same "
    "Idempotency-Key if there was one.",
}

OF_HTTP: Final = (
    ProblemKind("invalid", (400,), "Some fields are wrong", "`errors` name each and what it asks."),
    ProblemKind("not_authenticated", (401,), "No credential", "This needs a token or a session."),
    ProblemKind(
        "authentication_failed",
        (401,),
        "The credential does not hold",
        "The token or session is unknown, over, taken away, or of nobody on the staff.",
    ),
    ProblemKind(
        "method_not_allowed",
        (405,),
        "Not a method of this address",
        "The header `Allow` lists the methods of the address.",
    ),
    ProblemKind(
        "not_acceptable",
        (406,),
        "No such form of answer",
        "The header `Accept` asks for a media type that this address does not give.",
    ),
    ProblemKind(
        "length_required",
        (411,),
        "The length of the body is missing",
        "Bodies come with their Content-Length, not in chunks.",
    ),
    ProblemKind(
        "body_too_large", (413,), "The body is too large", "It is larger than the service takes."
    ),
    ProblemKind(
        "address_too_long", (414,), "The address is too long", "It was refused before it was read."
    ),
    ProblemKind(
        "unsupported_media_type",
        (415,),
        "Not a form of body that is taken",
        "The header `Content-Type` names a media type that this address does not take.",
    ),
    ProblemKind(
        "expectation_failed",
        (417,),
        "The header Expect cannot be met",
        "No answer is given in between; leave the header out.",
    ),
    ProblemKind(
        "throttled",
        (429,),
        "Too many requests",
        "The quota that `RateLimit-Policy` tells is spent.",
    ),
    ProblemKind(
        "headers_too_large",
        (431,),
        "The headers are too large",
        "They were refused before they were read.",
    ),
    ProblemKind(
        "internal_error", (500,), "Something went wrong here", "A fault of the service, not yours."
    ),
    ProblemKind(
        "not_implemented", (501,), "Not a way to send a body", "Send it with its Content-Length."
    ),
)
OF_THE_DATABASE: Final = (
    ProblemKind(
        "out_of_range",
        (400,),
        "A value cannot be stored",
        "It is too large, too long or has characters that cannot be stored.",
    ),
    ProblemKind("already_exists", (409,), "It is there already", "Another row has the same key."),
    ProblemKind("overlap", (409,), "The time is taken", "Another row holds part of the same time."),
    ProblemKind("in_use", (409,), "Other records point at it", "What others stand on stays."),
    ProblemKind(
        "constraint_refused",
        (422,),
        "The database refuses it",
        "It breaks the rule that `constraint` names.",
    ),
    ProblemKind(
        "database_unavailable",
        (503,),
        "The database cannot be reached",
        "Nothing is known to be lost.",
    ),
)

_told = {kind.code: kind for kind in (*OF_HTTP, *OF_THE_DATABASE)}


def tell(*kinds: ProblemKind) -> None:
    """Add codes that are no errors of the domain, such as those of signing in."""
    _told.update({kind.code: kind for kind in kinds})


def problem_kind(code: str) -> ProblemKind | None:
    """What the code means; None for one that no problem has."""
    if code in _told:
        return _told[code]
    found = next((kind for kind in kinds(DomainError) if kind.code == code), None)
    if found is None:
        return None
    meaning = " ".join((found.__doc__ or found.title).split("\n\n")[0].split())
    return ProblemKind(code, (status_of(found).value,), found.title, meaning)


def kinds(base: type[DomainError]) -> Iterator[type[DomainError]]:
    """Every error that stands under `base`, nearest first."""
    for kind in base.__subclasses__():
        yield kind
        yield from kinds(kind)


def phrase(status: int) -> str:
    """A status in words."""
    return f"{status} {HTTPStatus(status).phrase}"
