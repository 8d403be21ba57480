"""`manage.py verify_ledger`: whether the pulse ledger is what was written, and where it is not."""

import re
from argparse import ArgumentParser, ArgumentTypeError
from collections import defaultdict
from typing import Any, Final

from django.core.management.base import BaseCommand, CommandError

from devices.hashchain import Break, Head
from devices.models import Laser
from devices.selectors.ledger_chain import Verified, verify_chains, walk_chain

NOTED: Final = re.compile(r"(\d+):(\d+):([0-9a-f]{64})")


def noted_head(text: str) -> tuple[int, Head]:
    """A head as this command prints it: laser, sequence and digest. Raises ArgumentTypeError."""
    parts = NOTED.fullmatch(text.strip().lower())
    if parts is None:
        raise ArgumentTypeError("a head reads LASER:SEQUENCE:DIGEST")
    return int(parts[1]), Head(int(parts[2]), bytes.fromhex(parts[3]))


class Command(BaseCommand):
    """Prints each laser with its head, to be kept elsewhere, and the first break of its chain."""

    help = (
        "Verify the chain of digests of every laser's pulse entries against itself, the heads "
        "noted in the database and those given. Exit status 1 when a chain is broken."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--chain", type=int, help="Key of a chain (default: every chain)")
        parser.add_argument("--laser", type=int, action="append", help="Key of a laser; repeat it")
        parser.add_argument(
            "--head",
            type=noted_head,
            action="append",
            default=[],
            metavar="LASER:SEQUENCE:DIGEST",
            help="A head noted elsewhere; repeat it",
        )
        parser.add_argument(
            "--independent",
            action="store_true",
            help="Compute every digest in this process rather than in the database; slower",
        )

    def handle(self, *_: Any, **options: Any) -> None:
        lasers = _lasers(chain=options["chain"], wanted=options["laser"])
        noted: dict[int, list[Head]] = defaultdict(list)
        for laser_id, head in options["head"]:
            if laser_id not in lasers:
                raise CommandError(f"A head is given of laser {laser_id}, which is not verified.")
            noted[laser_id].append(head)
        if options["independent"]:
            seen = [walk_chain(laser_id, noted=noted[laser_id]) for laser_id in lasers]
        else:
            seen = verify_chains(lasers, noted=noted)
        for one in seen:
            self.stdout.write(_line(one))
        broken = [one for one in seen if one.first_break is not None]
        entries = sum(one.entries for one in seen)
        self.stdout.write(f"{len(seen)} lasers, {entries} entries, {len(broken)} broken")
        if broken:
            raise CommandError("The ledger is not what was written.")


def _lasers(*, chain: int | None, wanted: list[int] | None) -> list[int]:
    rows = Laser.objects.order_by("pk")
    if chain is not None:
        rows = rows.filter(chain=chain)
    if wanted is not None:
        rows = rows.filter(pk__in=wanted)
    found = [*rows.values_list("pk", flat=True)]
    if missing := sorted(set(wanted or ()) - set(found)):
        raise CommandError(f"There are no lasers {missing}.")
    return found


def _line(one: Verified) -> str:
    head = f"{one.laser_id}:{one.head.sequence}:{one.head.digest.hex()}" if one.head else "-"
    told = f"laser {one.laser_id}: {one.entries} entries, head {head}"
    return f"{told}, BROKEN {_told(one.first_break)}" if one.first_break else f"{told}, holds"


def _told(found: Break) -> str:
    where = f"at entry {found.sequence}" + (f" (id {found.entry})" if found.entry else "")
    digests = "".join(
        f", {name} {digest.hex()}"
        for name, digest in (("expected", found.expected), ("found", found.found))
        if digest is not None
    )
    return f"{where}: {found.kind}{digests}"
