"""Who asks in the fuzzer: with a token, with a session, at an address that is a secret, signed."""

import io
import random
import time
from datetime import timedelta
from typing import Any
from uuid import uuid4

from django.conf import settings
from django.contrib.auth import get_user_model
from django.utils import timezone

from clinics.models import Chain, StaffMember
from clinics.vocabulary import Role
from courses.api.delivery_reports import signature
from courses.channels import LinkPurpose, link_token
from courses.models import Message
from courses.services.recalls.sending import KEY_PREFIX
from tests.support.api import Caller
from tests.support.factories import PASSWORD, make_chain, make_membership, make_staff
from tests.support.sign_in import Person, code_of

OF_PEOPLE = ("/api/v1/account/", "/api/v1/auth/", "/api/v1/me/", "/api/v1/tokens")
"""What people do with their own sign-in, which a token of a program is refused."""
SESSIONS = "/api/v1/me/sessions"
METRICS = "/api/v1/metrics"
CALLBACKS = "/api/v1/delivery-callbacks"
LATER = "/r/{token}/later"
STRANGERS = "Another chain (invented)"
MESSAGES = 40
INVITED = 4

Known = dict[str, list[str]]
"""Field of a body -> texts that are good there."""


class Somebody:
    """A person in a session that has just begun."""

    def __init__(self, person: Person) -> None:
        self.person = person
        self.name = _member(person).user.get_username()
        self.headers = {"X-Session-Token": person.session_token}
        told = person.get("/me/sessions").json()
        self.sessions: list[int] = [one["id"] for one in told.get("items", ())]

    def knows(self) -> Known:
        """The own name, password and code: that of half a minute ahead, as the last is spent."""
        code = code_of(self.person.secret, steps=1)
        return {
            "user_name": [self.name],
            "username": [self.name],
            "password": [PASSWORD],
            "current": [PASSWORD],
            "code": [code],
        }


class Callers:
    """The credentials with which the operations of one chain are asked."""

    def __init__(self, chain: Chain) -> None:
        self.chain = chain
        caller = Caller(_staff(chain))
        self.machine = {"Authorization": str(caller.client._credentials["HTTP_AUTHORIZATION"])}
        self.tokens = _tokens(chain, caller)
        self.signs = False
        """Whether the request that comes is signed as by a provider."""
        self.references = [f"{KEY_PREFIX}{key}" for key in _messages(chain)]
        self._people: list[Somebody] = []

    def begin(self, path: str) -> None:
        """Sign people in anew for what only they may ask: a proof of who one is ages."""
        self._people = _people(self.chain) if path.startswith(OF_PEOPLE) else []

    def next(self, path: str, chance: random.Random) -> tuple[dict[str, str], Known]:
        """The headers to ask with, and what whoever sends them knows."""
        if path == METRICS:
            return {"Authorization": f"Bearer {settings.FALLOW_METRICS_TOKEN}"}, {}
        if path == CALLBACKS:
            return self.machine, {"reference": self.references}
        if path == LATER:
            return {}, {"until": [(timezone.now() + timedelta(days=30)).date().isoformat()]}
        if not self._people:
            return self.machine, {}
        somebody = chance.choice(self._people)
        return somebody.headers, somebody.knows()

    def sign(self, environ: dict[str, Any]) -> None:
        """Sign the report of a provider, if it is to be a good one."""
        if environ["PATH_INFO"] != CALLBACKS or not self.signs:
            return
        body = environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
        environ["wsgi.input"] = io.BytesIO(body)
        now = environ["HTTP_CALLBACK_TIMESTAMP"] = str(int(time.time()))
        secret = settings.FALLOW_CALLBACK_SECRET
        environ["HTTP_CALLBACK_SIGNATURE"] = signature(body, timestamp=now, secret=secret)

    def of_strangers(self) -> dict[str, str]:
        """The credential of somebody who holds every role in another chain."""
        chain = Chain.objects.filter(name=STRANGERS).first() or make_chain(name=STRANGERS)
        caller = Caller(_staff(chain))
        return {"Authorization": str(caller.client._credentials["HTTP_AUTHORIZATION"])}

    def own_sessions(self) -> list[int]:
        """Keys of the sessions that the people have just begun."""
        return [key for one in self._people for key in one.sessions]


def _people(chain: Chain) -> list[Somebody]:
    """Without a second factor, with one, and with the password given but no code yet."""
    now = timezone.now()
    plain = _signed_in(chain)
    plain.prove()
    plain.secret = plain.get("/account/authenticators/totp").json()["meta"]["secret"]
    whole = _signed_in(chain)
    whole.set_up(at=now - timedelta(seconds=30))
    whole.login()
    whole.give_code(code_of(whole.secret, now))
    whole.prove()
    halfway = Person(_member(whole))
    halfway.secret = whole.secret
    halfway.login()
    return [Somebody(one) for one in (plain, whole, halfway)]


def _signed_in(chain: Chain) -> Person:
    person = Person(_staff(chain))
    answer = person.login()
    assert answer.status_code == 200, answer.json()
    return person


def _member(caller: Caller) -> StaffMember:
    assert caller.staff is not None
    return caller.staff


def _staff(chain: Chain) -> StaffMember:
    """Somebody new who holds every role in the whole chain."""
    staff = make_staff(chain)
    name = f"fuzz-{uuid4()}"
    staff.user = get_user_model().objects.create_user(username=name, password=PASSWORD)
    staff.save()
    for role in Role:
        make_membership(staff, role)
    return staff


def _messages(chain: Chain) -> list[int]:
    of_chain = Message.objects.filter(recall__course__chain=chain)
    return list(of_chain.order_by("pk").values_list("pk", flat=True)[:MESSAGES])


def _invited(chain: Chain) -> list[int]:
    """Messages that may offer something still: the newest of those that invited."""
    told = Message.objects.filter(recall__course__chain=chain, recall__kind="invitation")
    left = told.filter(channel="email", status="completed").order_by("-sent_at")
    return list(left.values_list("pk", flat=True)[:INVITED])


def _tokens(chain: Chain, caller: Caller) -> dict[str, list[str]]:
    """First part of a path -> tokens that open something there."""
    messages = _messages(chain)
    answered = [*_invited(chain), *messages[:INVITED]]
    made = caller.post("/calendar-feeds", {"operator": _member(caller).pk})
    return {
        "r": [link_token(key, purpose=LinkPurpose.REPLY) for key in answered],
        "u": [link_token(key, purpose=LinkPurpose.UNSUBSCRIBE) for key in messages],
        "calendars": [made.json()["address"].rsplit("/", 1)[1].removesuffix(".ics")],
    }
