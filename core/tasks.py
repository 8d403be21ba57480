"""Upkeep that the beat wakes."""

from celery import shared_task
from django.utils import timezone

from core import services


@shared_task(name="core.prune_idempotency")
def prune_idempotency() -> int:
    """Forget the answers of keys older than seven days."""
    return services.idempotency_prune(now=timezone.now())
