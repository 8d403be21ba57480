"""The kernel as a Django app."""

from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate

from core import history, isolation


class CoreConfig(AppConfig):
    """Errors, transactions, spans and the manners of the API; knows no clinic."""

    name = "core"
    verbose_name = "Kernel"

    def ready(self) -> None:
        post_migrate.connect(_secure, sender=self, dispatch_uid="core.isolation")


def _secure(**_: Any) -> None:
    """After any migration the wall between chains stands around the new tables too.

    And what changes in them is noted.
    """
    isolation.secure()
    history.watch()
