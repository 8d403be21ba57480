"""Write the history of a chain for a period, for an auditor."""

import sys
from argparse import ArgumentParser
from datetime import datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clinics.models import Chain
from clinics.services.history import history_lines


class Command(BaseCommand):
    """Changes and reads of patients' records as lines of JSON, with a digest in the last line."""

    help = "Writes the history of a chain for a period to standard output, as lines of JSON."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--chain", type=int, required=True, help="key of the chain")
        parser.add_argument("--start", required=True, help="ISO 8601 with an offset")
        parser.add_argument("--end", required=True, help="ISO 8601 with an offset; excluded")

    def handle(self, *_: Any, **options: Any) -> None:
        if not Chain.objects.filter(pk=options["chain"]).exists():
            raise CommandError("There is no such chain.")
        start, end = (_instant(options[name]) for name in ("start", "end"))
        for piece in history_lines(chain_id=options["chain"], start=start, end=end):
            sys.stdout.write(piece.decode())


def _instant(text: str) -> datetime:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"Not an instant: {text}") from error
    if instant.tzinfo is None:
        raise CommandError(f"Without an offset: {text}")
    return instant
