"""Give the web processes a login of their own."""

import os
from typing import Any, Final

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError

from core.web_login import LoginHasMoreError, web_login_give

PASSWORD: Final = "FALLOW_WEB_DATABASE_PASSWORD"  # noqa: S105 - the name of a variable
NAME: Final = "fallow_web"


class Command(BaseCommand):
    """After `migrate`, as the owner of the tables; safe to repeat, with another password too."""

    help = f"Make the login of the web processes; {PASSWORD} holds its password."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--name", default=NAME, help=f"{NAME} unless said otherwise")

    def handle(self, *_: Any, name: str, verbosity: int, **__: Any) -> None:
        password = os.environ.get(PASSWORD, "")
        if not password:
            raise CommandError(f"Set {PASSWORD} to letters and digits.")
        try:
            web_login_give(name=name, password=password)
        except LoginHasMoreError as error:
            raise CommandError(str(error)) from error
        except DatabaseError as error:
            raise CommandError(
                f"The database does not let this login make another: {error}"
            ) from error
        if verbosity:
            self.stdout.write(f"{name} can sign in for the web processes")
