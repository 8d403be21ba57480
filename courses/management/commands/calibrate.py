"""`manage.py calibrate`: compare a chain's courses with what was predicted of them."""

import time
from argparse import ArgumentParser
from dataclasses import dataclass
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinics.models import Chain
from courses.services.calibration import calibration_run
from courses.vocabulary import CalibrationStatus


@dataclass(frozen=True, slots=True)
class OfChain:
    """Nobody in person: whoever runs the command, for one chain."""

    chain_id: int


class Command(BaseCommand):
    """Makes a calibration run for one chain or for all of them."""

    help = (
        "Compare courses with what was predicted of them and propose a prior. A treating "
        "clinician accepts or refuses it over the API."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--chain", type=int, help="Key of a chain (default: every chain)")

    def handle(self, *_: Any, **options: Any) -> None:
        self._began = time.monotonic()
        chains = Chain.objects.order_by("pk")
        if options["chain"] is not None:
            chains = chains.filter(pk=options["chain"])
        found = list(chains)
        if not found:
            raise CommandError("There is no such chain.")
        for chain in found:
            self._run(chain)

    def _run(self, chain: Chain) -> None:
        self._say(f"{chain.name}:")
        run = calibration_run(
            asker=OfChain(chain.pk), staff_id=None, now=timezone.now(), on_step=self._say
        )
        for message in run.report["messages"]:
            self._say(message)
        if run.status == CalibrationStatus.PROPOSED:
            self._say(f"Run {run.number} waits for a treating clinician.")
        else:
            self._say(f"Run {run.number} proposes nothing.")

    def _say(self, text: str) -> None:
        self.stdout.write(f"  {time.monotonic() - self._began:5.1f} s  {text}")
        self.stdout.flush()
