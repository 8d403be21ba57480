"""How the domain says no: types by meaning, each with a stable code.

Nothing here knows HTTP: `core.api.problems` is the one place that turns a meaning into a status.
"""

from typing import Any, ClassVar


class DomainError(Exception):
    """A refusal with a stable `code`, a `title` for people and JSON-ready `data` for machines.

    `detail` is the sentence about this one case; without it the title stands in. An app's own
    error subclasses one of the meanings below and sets `code` and `title`.
    """

    code: ClassVar[str] = "domain_error"
    title: ClassVar[str] = "The request was refused"

    def __init__(self, detail: str = "", **data: Any) -> None:
        super().__init__(detail or self.title)
        self.detail = detail or self.title
        self.data = data


class Malformed(DomainError):
    """The request cannot be understood: mend it."""

    code = "malformed"
    title = "The request is malformed"


class Forbidden(DomainError):
    """The caller may not do this."""

    code = "forbidden"
    title = "You may not do this"


class NotFound(DomainError):
    """No such thing, or none that the caller may know of."""

    code = "not_found"
    title = "There is no such thing here"


class Conflict(DomainError):
    """Somebody else has it, or it is already there: choose again."""

    code = "conflict"
    title = "In conflict with what is already there"


class Stale(DomainError):
    """The row changed since the caller read it: read it again."""

    code = "stale"
    title = "It has changed since you read it"


class PreconditionRequired(DomainError):
    """The caller must say which version it means to change."""

    code = "precondition_required"
    title = "Say which version you mean to change"


class Refused(DomainError):
    """Understood, but a rule of the domain says no."""

    code = "refused"
    title = "A rule does not allow this"


class Busy(DomainError):
    """Nothing was done because others were at it: send the same again."""

    code = "busy"
    title = "Busy just now; send the same again"


class TooMany(DomainError):
    """Not heard because too much was asked before; `retry_after_s` in `data` says until when."""

    code = "too_many"
    title = "Too many; wait before you send the next"
