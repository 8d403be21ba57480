"""`manage.py free_sign_in`: lets somebody in again where no manager of their chain can."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from clinics.services.second_factor import sign_in_free
from core.errors import DomainError


class Command(BaseCommand):
    """Takes a lost second factor away and lifts a lock; the password stays what it is."""

    help = (
        "For who runs the service, when the only manager of a chain has lost their second factor: "
        "take it away, end their sessions and tokens, and lift a lock after failed attempts."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("user_name", help="What they sign in with")

    def handle(self, *_: Any, **options: Any) -> None:
        try:
            sign_in_free(user_name=options["user_name"])
        except DomainError as refusal:
            raise CommandError(refusal.detail) from refusal
        self.stdout.write(f"{options['user_name']} may sign in with the password alone.")
