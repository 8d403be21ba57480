"""Signed-in sessions of people: rows in the database whose key is kept as a digest.

Django's setting SESSION_ENGINE names this module. A session ends with its time (counted from the
sign-in), when it has not been used for long, with the password that it was begun with, and with
the row of its person. What it remembers is encrypted, because a second factor that is being set
up is part of it.
"""

import json
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any, Final

from allauth.account.internal.flows.login import AUTHENTICATION_METHODS_SESSION_KEY
from allauth.headless.tokens.strategies.sessions import SessionTokenStrategy
from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.base import CreateError, SessionBase, UpdateError
from django.db.models import F
from django.http import HttpRequest
from django.utils import timezone

from clinics.models import SignInSession
from core import secrets_at_rest

PENDING: Final = timedelta(minutes=15)
"""How long a sign-in may wait for its second factor."""

SEEN_AGAIN: Final = timedelta(minutes=1)
"""How exact it is kept when a session was used last: not every request writes."""

SECOND_FACTOR: Final = "mfa"


class SessionStore(SessionBase):
    """One session. Its key is known to whoever bears it, and not to the database."""

    row: SignInSession | None = None

    def load(self) -> dict[str, Any]:
        """What the session remembers; nothing, and no key, for one that is over or unknown."""
        self.row = alive(timezone.now()).filter(session_key=digest(self.session_key)).first()
        if self.row is None:
            self._session_key = None
            return {}
        return self.decode(self.row.session_data)

    def exists(self, session_key: str) -> bool:
        """Whether there is a session of this key."""
        return SignInSession.objects.filter(session_key=digest(session_key)).exists()

    def create(self) -> None:
        """Begin to keep this session, under a new key."""
        while True:
            self._session_key = self._get_new_session_key()  # type: ignore[attr-defined]
            try:
                self.save(must_create=True)
            except CreateError:
                continue
            self.modified = True
            return

    def save(self, must_create: bool = False) -> None:
        """Keep what the session remembers. Raises CreateError, UpdateError."""
        if self.session_key is None:
            self.create()
            return
        data = self._get_session(no_load=must_create)  # type: ignore[attr-defined]
        user_id = int(data[SESSION_KEY]) if SESSION_KEY in data else None
        told = {
            "session_data": self.encode(data),
            "user_id": user_id,
            "second_factor": second_factor_given(data),
        }
        lasts = PENDING if user_id is None else settings.FALLOW_SESSION_LASTS
        if must_create:
            self._insert(told, lasts=lasts)
            return
        row = SignInSession.objects.filter(session_key=digest(self.session_key))
        if not row.update(**told, expire_date=F("began_at") + lasts):
            raise UpdateError

    def delete(self, session_key: str | None = None) -> None:
        """Forget the session of this key, or this one."""
        key = session_key or self.session_key
        if key is not None:
            SignInSession.objects.filter(session_key=digest(key)).delete()

    def encode(self, session_dict: dict[str, Any]) -> str:
        """What is remembered, encrypted."""
        return secrets_at_rest.encrypt(json.dumps(session_dict))

    def decode(self, session_data: str | bytes) -> dict[str, Any]:
        """What was remembered; nothing when it was written under a key that is gone."""
        try:
            data: dict[str, Any] = json.loads(secrets_at_rest.decrypt(str(session_data)))
        except secrets_at_rest.InvalidToken:
            return {}
        return data

    def see(self, now: datetime) -> None:
        """Note that the session is in use."""
        if self.row is not None and now - self.row.seen_at >= SEEN_AGAIN:
            SignInSession.objects.filter(pk=self.row.pk).update(seen_at=now)

    @classmethod
    def clear_expired(cls) -> None:
        """Forget the sessions that are over."""
        SignInSession.objects.exclude(pk__in=alive(timezone.now()).values("pk")).delete()

    def _insert(self, told: dict[str, Any], *, lasts: timedelta) -> None:
        now = timezone.now()
        self.row, is_new = SignInSession.objects.get_or_create(
            session_key=digest(self.session_key),
            defaults={**told, "expire_date": now + lasts, "began_at": now, "seen_at": now},
        )
        if not is_new:
            raise CreateError


class TokenStrategy(SessionTokenStrategy):  # type: ignore[misc]
    """The session token that allauth's endpoints give and take is the key of a session."""

    def get_session_token(self, request: HttpRequest) -> str | None:
        """What the request bears; nothing for one that signs in anew, whatever it bears still."""
        if getattr(request, "signs_in_anew", False):
            return None
        token: str | None = super().get_session_token(request)
        return token

    def lookup_session(self, session_token: str) -> SessionBase | None:
        """The session that is alive under this token; one query."""
        session = SessionStore(session_token)
        session.get(SESSION_KEY)
        return session if session.session_key else None


def digest(key: str | None) -> str:
    """How a session key is kept. It is random and long, so a plain digest tells nothing."""
    return sha256((key or "").encode()).hexdigest()


def second_factor_given(data: Any) -> bool:
    """Whether a code was given in the session that remembers this."""
    methods = data.get(AUTHENTICATION_METHODS_SESSION_KEY) or []
    return any(method.get("method") == SECOND_FACTOR for method in methods)


def alive(now: datetime, *, among: Any = None) -> Any:
    """The sessions (among these rows) that are not over."""
    rows = SignInSession.objects.all() if among is None else among
    return rows.filter(expire_date__gt=now, seen_at__gt=now - settings.FALLOW_SESSION_IDLE)
