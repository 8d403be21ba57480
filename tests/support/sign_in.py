"""People who sign in with a session: the steps as a front end takes them."""

from datetime import datetime, timedelta
from typing import Any

from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.utils import timezone
from rest_framework.response import Response

from clinics.models import StaffMember
from tests.support.api import Caller
from tests.support.factories import PASSWORD


def code_of(secret: str, at: datetime | None = None, *, steps: int = 0) -> str:
    """The code that an authenticator shows at that time, or so many steps of 30 s later."""
    moment = (at or timezone.now()) + timedelta(seconds=30 * steps)
    return format_hotp_value(hotp_value(secret, int(moment.timestamp()) // 30))


class Person(Caller):
    """A member of staff at a front end: sends the session token that it was given last."""

    def __init__(self, staff: StaffMember) -> None:
        super().__init__()
        self.staff = staff
        self.secret = ""
        self.session_token = ""

    def bear(self, token: str) -> None:
        """Send this session token from now on."""
        self.session_token = token
        self.client.credentials(HTTP_X_SESSION_TOKEN=token)

    def login(self, password: str = PASSWORD) -> Response:
        """The password."""
        assert self.staff is not None
        body = {"username": self.staff.user.username, "password": password}
        return self._keep(self.post("/auth/login", body))

    def give_code(self, code: str) -> Response:
        """The code that completes a sign-in."""
        return self._keep(self.post("/auth/2fa/authenticate", {"code": code}))

    def prove(self, password: str = PASSWORD) -> Response:
        """The password, anew."""
        return self._keep(self.post("/auth/reauthenticate", {"password": password}))

    def set_up(self, at: datetime | None = None) -> Response:
        """Set an authenticator up, with the code of that time."""
        self.prove()
        told = self.get("/account/authenticators/totp").json()
        self.secret = told["meta"]["secret"]
        return self.post("/account/authenticators/totp", {"code": code_of(self.secret, at)})

    def _keep(self, answer: Response) -> Response:
        meta: dict[str, Any] = answer.json().get("meta") or {}
        if "session_token" in meta:
            self.bear(meta["session_token"])
        return answer


def signed_in(staff: StaffMember) -> Person:
    """Somebody signed in with a session, without a second factor."""
    person = Person(staff)
    answer = person.login()
    assert answer.status_code == 200, answer.json()
    return person
