"""Enforce the service plans without a task queue: one round, as the beat would have it."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from devices.services.service import services_tick


class Command(BaseCommand):
    """What the beat and the workers do for services, for a machine without Redis."""

    help = "Warn of services that are near, and lock out lasers whose service is overdue."

    def handle(self, *_: Any, **__: Any) -> None:
        done = services_tick(now=timezone.now())
        self.stdout.write(", ".join(f"{name} {count}" for name, count in done.items()))
