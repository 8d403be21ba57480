"""`manage.py load_demo`: the invented demonstration chain, once."""

import time
from argparse import ArgumentParser
from datetime import date
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from courses.demo.loading import PATIENTS, Order, is_loaded, load, refresh_statistics
from courses.demo.moment import DEFAULT_SEED
from courses.demo.names import MOST_PEOPLE
from courses.demo.plan_of_clinics import CHAIN_NAME
from courses.demo.signins import renew_sign_ins, write_credentials


class Command(BaseCommand):
    """Makes the demonstration up, writes it, and keeps its credentials in a file."""

    help = (
        "Load an invented chain with patients at every stage of a course. A second run changes "
        "nothing. The same seed and day give the same rows."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--patients", type=int, default=PATIENTS)
        parser.add_argument("--seed", type=int, default=DEFAULT_SEED)
        parser.add_argument(
            "--today",
            type=date.fromisoformat,
            help="The day between history and plans (default: the present one)",
        )
        parser.add_argument(
            "--renew-sign-ins",
            action="store_true",
            help="Give those of the demonstration a new password and new tokens, and nothing else",
        )

    def handle(self, *_: Any, **options: Any) -> None:
        self._began = time.monotonic()
        if not 1 <= options["patients"] <= MOST_PEOPLE:
            raise CommandError(f"--patients takes 1 to {MOST_PEOPLE}.")
        if options["renew_sign_ins"]:
            if not is_loaded():
                raise CommandError("The demonstration is not there: load it first.")
            self._credentials()
            return
        order = Order(options["patients"], options["seed"], options["today"])
        counts = load(order, now=timezone.now(), tell=self._say)
        if counts is None:
            self._there_already()
            return
        refresh_statistics()
        self._say("Written: " + ", ".join(f"{count} {what}" for what, count in counts.items()))
        self._credentials()

    def _there_already(self) -> None:
        self._say(f"It is there already: {CHAIN_NAME}. Nothing was changed.")
        if not Path(settings.FALLOW_CREDENTIALS_FILE).is_file():
            self._say("Its credentials are not on this machine: load_demo --renew-sign-ins")

    def _credentials(self) -> None:
        path = Path(settings.FALLOW_CREDENTIALS_FILE)
        shown = renew_sign_ins(today=timezone.now().date())
        write_credentials(shown, path)
        self._say(f"{len(shown)} credentials are in {path}")

    def _say(self, text: str) -> None:
        self.stdout.write(f"  {time.monotonic() - self._began:5.1f} s  {text}")
        self.stdout.flush()
