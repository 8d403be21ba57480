"""Compare the occupancy that searches read with the reservations, and mend what differs."""

from argparse import ArgumentParser
from datetime import UTC, date
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinics.services.occupancy import occupancy_check


class Command(BaseCommand):
    """What a search shows may be stale; what can be booked never is. This finds what is stale."""

    help = "Compare occupancy with the reservations it is made from, print and mend differences."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--since", type=date.fromisoformat, metavar="DATE", help="UTC day; without it today."
        )
        parser.add_argument(
            "--report", action="store_true", help="Only print; exit with 1 when anything differs."
        )

    def handle(self, *_: Any, since: date | None, report: bool, **__: Any) -> None:
        found = 0
        first = since or timezone.now().astimezone(UTC).date()
        for one in occupancy_check(since=first, mend=not report):
            found += 1
            self.stdout.write(
                f"resource {one.resource_id} on {one.day}: {one.hidden_minutes} minutes reserved"
                f" but shown as free, {one.free_minutes} free but shown as reserved"
            )
        self.stdout.write(f"{found} {'different' if report else 'mended'}")
        if found and report:
            raise CommandError("Occupancy is stale.")
