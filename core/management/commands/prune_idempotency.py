"""Forget the answers of idempotency keys that need not be kept any longer."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from core import services


class Command(BaseCommand):
    """The same as the task core.prune_idempotency, for a machine without a worker."""

    help = "Forget the answers of idempotency keys older than seven days."

    def handle(self, *_: Any, **__: Any) -> None:
        forgotten = services.idempotency_prune(now=timezone.now())
        self.stdout.write(f"{forgotten} forgotten")
