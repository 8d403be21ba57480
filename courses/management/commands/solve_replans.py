"""`manage.py solve_replans`: look for new slots for re-plans that wait, without a task queue."""

import time
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.db import close_old_connections
from django.utils import timezone

from courses.services.replans import runs_solve_due


class Command(BaseCommand):
    """What the workers do for re-plans, for a machine without Redis."""

    help = "Solve the re-plans that wait, or whose worker is gone, one after the other."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--every", type=float, metavar="SECONDS", help="Go on, with this pause between rounds."
        )

    def handle(self, *_: Any, every: float | None, **__: Any) -> None:
        while True:
            done = runs_solve_due(clock=timezone.now)
            self.stdout.write(f"{timezone.now():%H:%M:%S} solved {done}")
            self.stdout.flush()
            if every is None:
                return
            time.sleep(every)
            close_old_connections()
