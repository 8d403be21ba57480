"""Two identities for the fuzzer, of which neither may read what the other one made.

The library's own check of that looks for a provider of credentials that knows both by name, for
cases that say as whom they were sent, and for the request that made the thing, in one recorder.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from schemathesis.wfc.escalation import EscalatingAuthProvider

OWNER, STRANGER = "owner", "stranger"


class Fixed:
    """Sends the same headers each time, and keeps which operations were asked so."""

    def __init__(self, headers: dict[str, str]) -> None:
        # The transport in process does not unpack what is compressed.
        self.headers = {**headers, "Accept-Encoding": "identity"}
        self.asked: set[str] = set()

    def get(self, _case: Any, context: Any) -> dict[str, str]:
        self.asked.add(context.operation.label)
        return self.headers

    def set(self, case: Any, data: dict[str, str], _context: Any) -> None:
        case.headers.update(data)


class Peers:
    """Who made a thing, and somebody of another chain who may do everything there."""

    def __init__(self, schema: Any, *, owner: dict[str, str], stranger: dict[str, str]) -> None:
        self.schema = schema
        self.owner, self.stranger = Fixed(owner), Fixed(stranger)
        self.begin()

    def begin(self) -> None:
        """Forget what was asked: each operation is asked as the other one once only."""
        names = [OWNER, STRANGER]
        self.provider = EscalatingAuthProvider(
            [self.owner, self.stranger], names, peers=tuple(names), pinned=OWNER
        )

    @contextmanager
    def known(self) -> Iterator[None]:
        """Within, the checks know both; without, no credential is put on what is made up."""
        self.schema.auth.providers.append(self.provider)
        try:
            yield
        finally:
            self.schema.auth.providers.remove(self.provider)

    @staticmethod
    def of_owner(case: Any) -> Any:
        """The case, as one that the owner sends."""
        case._auth_identity = OWNER
        return case
