"""`manage.py reconcile_counters`: compare counters with the ledger now, and print what differs."""

from argparse import ArgumentParser
from datetime import UTC, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinics.models import Chain
from devices.models import CounterDifference
from devices.services.counter_differences import counters_reconcile
from devices.vocabulary import DifferenceStatus


class Command(BaseCommand):
    """What the nightly tick does, for one chain or all of them, as far back as asked."""

    help = (
        "Compare what counters gained between readings with the pulse ledger, keep a row for each "
        "difference and print those that are open. Exit status 1 when there are any."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--chain", type=int, help="Key of a chain (default: every chain)")
        parser.add_argument(
            "--since",
            type=lambda text: datetime.fromisoformat(text).replace(tzinfo=UTC),
            metavar="DATE",
            help="UTC day from which on to compare (default: 400 days ago)",
        )

    def handle(self, *_: Any, chain: int | None, since: datetime | None, **__: Any) -> None:
        chains = Chain.objects.order_by("pk")
        if chain is not None:
            chains = chains.filter(pk=chain)
            if not chains:
                raise CommandError("There is no such chain.")
        left = sum(self._reconcile(one, since=since) for one in chains)
        if left:
            raise CommandError(f"{left} differences are open.")

    def _reconcile(self, chain: Chain, *, since: datetime | None) -> int:
        run = counters_reconcile(chain_id=chain.pk, now=timezone.now(), since=since)
        self.stdout.write(
            f"{chain.name}: {run.spans} spans, {run.agreeing} agree, {run.opened} differences"
            f" opened, {run.settled} settled, {run.left_open} open"
        )
        rows = CounterDifference.objects.filter(counter__chain=chain)
        rows = rows.exclude(status=DifferenceStatus.CLOSED).order_by("opened_at", "pk")
        for one in rows.select_related("owner", "earlier", "later"):
            self.stdout.write(
                f"  {one.pk}: counter {one.counter_id}, {one.earlier.read_at:%Y-%m-%d %H:%M} to"
                f" {one.later.read_at:%Y-%m-%d %H:%M}: counter {one.counter_pulses}, ledger"
                f" {one.ledger_pulses}, {one.finding}, {one.status}, with {one.owner.name}"
            )
        return run.left_open
