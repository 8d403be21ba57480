"""What the beat wakes. Each finds its own work in the database and may run twice."""

from celery import shared_task
from django.utils import timezone

from devices.services.counter_differences import counters_reconcile_due
from devices.services.ledger_heads import ledger_heads_note
from devices.services.service import services_tick


@shared_task(name="devices.enforce_services")
def enforce_services() -> None:
    """Warn of services that are near, lock out lasers whose service is overdue."""
    services_tick(now=timezone.now())


@shared_task(name="devices.reconcile_counters")
def reconcile_counters() -> None:
    """Compare the counters of chains whose last comparison is a night old with their ledger."""
    counters_reconcile_due(now=timezone.now())


@shared_task(name="devices.note_ledger_heads")
def note_ledger_heads() -> None:
    """Note the last digest of each ledger that has grown, so that a cut tail is missed."""
    ledger_heads_note(now=timezone.now())
