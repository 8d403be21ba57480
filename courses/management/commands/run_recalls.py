"""Run the recalls without a task queue: the same loops, in one process or several."""

import logging
import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.db import InterfaceError, OperationalError, close_old_connections
from django.utils import timezone

from core.errors import Busy
from courses.services.booking import holds_expire
from courses.services.recalls import ticks

logger = logging.getLogger(__name__)


class Command(BaseCommand):
    """What the beat and the workers do for recalls, for a machine without Redis."""

    help = "Close healing windows, plan and send recalls, and cancel expired holds; forever."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="Do what is due now, and end.")
        parser.add_argument(
            "--every", type=float, default=15, metavar="SECONDS", help="Pause between rounds."
        )

    def handle(self, *_: Any, once: bool, every: float, **__: Any) -> None:
        if once:
            self._round()
            return
        stopped = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stopped.set())
        while not stopped.is_set():
            close_old_connections()
            try:
                self._round()
            except (OperationalError, InterfaceError, Busy) as error:
                logger.warning("The database is away or busy; trying again: %s", error)
            stopped.wait(every)

    def _round(self) -> None:
        now = timezone.now()
        done = {
            "holds": holds_expire(now=now),
            **ticks.recalls_open_due(now=now),
            **ticks.messages_send_due(clock=timezone.now),
        }
        self.stdout.write(", ".join(f"{name} {count}" for name, count in done.items()))
