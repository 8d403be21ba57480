"""Upkeep of sign-ins that the beat wakes."""

from celery import shared_task
from django.utils import timezone

from clinics.services import signed_in


@shared_task(name="clinics.prune_sign_ins")
def prune_sign_ins() -> int:
    """Forget sessions, tokens and counted attempts that are over."""
    return signed_in.sign_ins_prune(now=timezone.now())
