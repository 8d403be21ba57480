"""What is open of a person: sessions and tokens, and how they end."""

from datetime import datetime

from django.conf import settings

from clinics import sessions
from clinics.access import Actor
from clinics.errors import SessionUnknown
from clinics.models import AccessToken, SignInFailure, SignInSession
from core.db import command, step


@step
def sign_ins_end(*, user_id: int, machines: bool) -> None:
    """End every session and token of a person; those of machines that act as them too, or not."""
    tokens = AccessToken.objects.filter(user_id=user_id)
    (tokens if machines else tokens.filter(machine=False)).delete()
    SignInSession.objects.filter(user_id=user_id).delete()


@command
def own_session_end(*, pk: int, actor: Actor) -> None:
    """End one of the caller's own sessions. Raises SessionUnknown."""
    ended, _ = SignInSession.objects.filter(pk=pk, user_id=actor.user_id).delete()
    if not ended:
        raise SessionUnknown


@command
def sign_ins_prune(*, now: datetime) -> int:
    """Forget sessions, tokens and counted attempts that are over; gives how many."""
    over = [
        SignInSession.objects.exclude(pk__in=sessions.alive(now).values("pk")),
        AccessToken.objects.filter(expiry__lt=now),
        SignInFailure.objects.filter(last_at__lt=now - 2 * settings.FALLOW_SIGN_IN_LOCK),
    ]
    return sum(rows.delete()[0] for rows in over)
