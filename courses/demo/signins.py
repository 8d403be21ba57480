"""Who may sign in to the demonstration: a user name, one password for all, and a token for each."""

import json
import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.hashers import make_password

from clinics.models import AccessToken, StaffMember
from clinics.vocabulary import Role
from core.db import command, step
from courses.demo.inserting import insert
from courses.demo.organisation import Person
from courses.demo.plan_of_clinics import CHAIN_NAME, PEOPLE

User = get_user_model()

# What is worth a first look by each role: an address, and what it shows.
WORTH_A_LOOK: dict[str, tuple[str, str]] = {
    Role.CHAIN_MANAGER: ("/capacity?from={today}&weeks=8", "booked against bookable, by week"),
    Role.FRONT_DESK: ("/messages?status=on-hold", "who waits for a call: their skin is ready"),
    Role.LASER_OPERATOR: ("/appointments?status=booked&start={today}T00:00:00Z", "visits ahead"),
    Role.TREATING_CLINICIAN: ("/healing-windows?state=held", "skin that somebody must look at"),
    Role.LASER_SAFETY_OFFICER: ("/lock-outs", "lasers that may not fire, and that did not"),
    Role.INTEGRATOR: ("/healing-windows?state=open", "windows that are to close"),
}
TOKENS_LAST = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class SignIn:
    """One credential to show; `clinic` is empty for a role in the whole chain.

    `look_at` is an address below /api/v1 that is worth a look, `shows` what is there.
    """

    role: str
    name: str
    clinic: str
    user_name: str
    password: str
    token: str
    look_at: str
    shows: str

    def as_json(self) -> dict[str, str]:
        """As it stands in the file of credentials."""
        return asdict(self)


@step
def give_users(people: Sequence[Person]) -> None:
    """Let those with a user name sign in, with a password nobody knows until it is renewed."""
    users = {one.sketch.user_name: User(username=one.sketch.user_name) for one in people}
    users.pop("", None)
    locked = make_password(None)
    for user in users.values():
        user.password = locked
    insert(users.values())
    for one in people:
        one.member.user = users.get(one.sketch.user_name)


@command
def renew_sign_ins(*, today: date) -> list[SignIn]:
    """A new password for all of the demonstration, and a new token for each; the old ones end."""
    password = f"demo-{secrets.token_hex(6)}"
    stored = make_password(password)
    shown = []
    for staff in _staff():
        user: Any = staff.user
        user.password = stored
        user.save(update_fields=["password"])
        AccessToken.objects.filter(user=user).delete()
        _, token = AccessToken.objects.create(user, expiry=TOKENS_LAST)
        membership = staff.memberships.select_related("clinic").order_by("pk")[0]
        look_at, shows = WORTH_A_LOOK[membership.role]
        shown.append(
            SignIn(
                role=membership.role,
                name=staff.name,
                clinic=membership.clinic.name if membership.clinic else "",
                user_name=user.username,
                password=password,
                token=token,
                look_at=look_at.format(today=today.isoformat()),
                shows=shows,
            )
        )
    return shown


def write_credentials(shown: Sequence[SignIn], path: Path) -> None:
    """Keep the credentials in a file that only the service's own user may read."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.touch(mode=0o600)
    path.write_text(json.dumps([one.as_json() for one in shown], indent=2) + "\n")


def _staff() -> list[StaffMember]:
    """Those who may sign in, in the order of the plan."""
    order = [sketch.user_name for sketch in PEOPLE]
    found = StaffMember.objects.filter(
        chain__name=CHAIN_NAME, user__username__in=filter(None, order)
    ).select_related("user")
    return sorted(found, key=lambda staff: order.index(staff.user.username))
