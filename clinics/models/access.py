"""How people and machines come in: tokens, signed-in sessions, and counted failures.

None of these rows leads to a chain: they are looked up before it is known to which chain a caller
belongs. None holds a secret that could be used: keys are kept as digests, what must be read again
is encrypted, and a failure names nobody.
"""

from datetime import datetime
from typing import Any

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.utils import timezone
from knox.models import AbstractAuthToken, AuthTokenManager, get_digest_token
from knox.settings import CONSTANTS

from clinics.querysets import SignInScoped


class AccessTokenManager(AuthTokenManager.from_queryset(SignInScoped)):  # type: ignore[misc]
    """Makes tokens, and the text that is shown once."""

    def make(self, user: Any, *, expires_at: datetime, **fields: Any) -> "tuple[AccessToken, str]":
        """A token that ends at this instant, and its text."""
        digest, text = get_digest_token()
        row = AccessToken(
            digest=digest,
            token_key=text[: CONSTANTS.TOKEN_KEY_LENGTH],
            user=user,
            expiry=expires_at,
            **fields,
        )
        row.save(force_insert=True)
        return row, text


class AccessToken(AbstractAuthToken):  # type: ignore[misc]
    """An opaque token of a person or of a machine; only its digest is kept.

    A machine's has a name, and `scopes`: the actions that it may ask for, at most.
    `second_factor` says that a code was given when it was made.
    """

    digest = models.CharField(max_length=128, unique=True)
    machine = models.BooleanField(default=False)
    name = models.CharField(max_length=80, blank=True)
    scopes = ArrayField(models.CharField(max_length=48), default=list, blank=True)
    second_factor = models.BooleanField(default=False)
    made_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.SET_NULL, null=True, related_name="+"
    )
    last_used_on = models.DateField(null=True)

    objects = AccessTokenManager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(machine=False, scopes=[])
                | (models.Q(machine=True, expiry__isnull=False) & ~models.Q(scopes=[])),
                name="accesstoken_of_a_machine_is_bounded",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user_id} {self.name}".strip()


class SignInSession(models.Model):
    """A sign-in of a person, pending or complete; `session_key` holds the digest of the key."""

    session_key = models.CharField(max_length=64, unique=True)
    session_data = models.TextField()
    expire_date = models.DateTimeField(db_index=True)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.CASCADE,
        null=True,
        related_name="sign_in_sessions",
    )
    second_factor = models.BooleanField(default=False)
    began_at = models.DateTimeField(default=timezone.now)
    seen_at = models.DateTimeField(default=timezone.now)

    objects = SignInScoped.as_manager()

    def __str__(self) -> str:
        return f"{self.user_id} {self.began_at}"


class SignInFailure(models.Model):
    """Attempts that have not succeeded under one key, and until when no further one is heard.

    The keys are digests of a name with an address, or of a name, under the service's secret.
    """

    key = models.CharField(max_length=64, unique=True)
    name_key = models.CharField(max_length=64, db_index=True)
    failures = models.PositiveSmallIntegerField()
    last_at = models.DateTimeField()
    locked_until = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"{self.failures} until {self.locked_until}"
