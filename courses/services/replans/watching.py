"""A second thread that says every few seconds that a worker lives, and hears when it is to stop.

The solver can be silent for long. While it is, its run must not look abandoned.
"""

import logging
from collections.abc import Callable
from datetime import datetime
from threading import Event, Thread
from types import TracebackType
from typing import Any, Final, Self

from django.db import Error, connection

from core.errors import DomainError
from courses.replan import Progress
from courses.services.replans.as_json import progress_json
from courses.services.replans.claims import Claim, run_report

logger = logging.getLogger(__name__)

BEAT_SECONDS: Final = 2.0


class RunLost(Exception):
    """The run was cancelled, or is another worker's by now."""


class Watch:
    """Around a claimed run. `every` None: nobody is told, and nothing is heard."""

    def __init__(
        self, claim: Claim, *, clock: Callable[[], datetime], every: float | None = BEAT_SECONDS
    ) -> None:
        self.claim, self.clock, self.every = claim, clock, every
        self.progress: dict[str, Any] = {}
        self._stopped, self._lost = Event(), Event()
        self._thread = Thread(target=self._beat, name="replan-watch", daemon=True)

    def __enter__(self) -> Self:
        if self.every is not None:
            self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stopped.set()
        if self.every is not None:
            self._thread.join()

    def note(self, progress: Progress) -> None:
        """Where the solver stands. Raises RunLost, which ends it."""
        self.progress = progress_json(progress)
        if self._lost.is_set():
            raise RunLost

    def _beat(self) -> None:
        try:
            while not self._stopped.wait(self.every):
                if not self._report():
                    self._lost.set()
                    return
        finally:
            connection.close()

    def _report(self) -> bool:
        try:
            return run_report(claim=self.claim, progress=self.progress, now=self.clock())
        except (Error, DomainError) as error:
            logger.warning("run %s: could not say that it lives: %s", self.claim.run_id, error)
            connection.close()
            return True
