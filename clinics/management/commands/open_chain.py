"""`manage.py open_chain`: a new chain and its first manager."""

import os
from getpass import getpass
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from clinics.services.founding import chain_open
from core.errors import DomainError

PASSWORD_VARIABLE = "FALLOW_MANAGER_PASSWORD"  # noqa: S105 - the name of a variable


class Command(BaseCommand):
    """Opens a chain; everything else is done over the API by its manager."""

    help = (
        "Open a chain with its first manager. The password is asked for, or taken from "
        f"{PASSWORD_VARIABLE}."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="Name of the chain")
        parser.add_argument("--manager", required=True, help="Name of the first manager")
        parser.add_argument("--user-name", required=True, help="What the manager signs in with")

    def handle(self, *_: Any, **options: Any) -> None:
        password = os.environ.get(PASSWORD_VARIABLE) or getpass("Password: ")
        try:
            manager = chain_open(
                name=options["name"],
                manager_name=options["manager"],
                user_name=options["user_name"],
                password=password,
                now=timezone.now(),
            )
        except DomainError as refusal:
            raise CommandError(refusal.detail) from refusal
        self.stdout.write(f"Chain {manager.chain_id} is open; {options['user_name']} may sign in.")
