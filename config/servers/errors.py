"""What can stand in the way of a local server, in words for the person at the keyboard."""


class ServerTrouble(Exception):
    """A server cannot be used: `problem` says what is wrong, `mend` what to do about it."""

    def __init__(self, problem: str, *, mend: str) -> None:
        super().__init__(f"{problem} {mend}")
        self.problem = problem
        self.mend = mend
