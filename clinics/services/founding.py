"""The beginning of a chain: somebody who can sign in and make the rest."""

from datetime import datetime

from django.contrib.auth import get_user_model
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.errors import ChainNameTaken, SignInNameTaken
from clinics.models import Chain, Membership, Resource, StaffMember
from clinics.services.people import set_password
from clinics.vocabulary import ResourceKind, Role
from core.db import command, constraint_as


@command
def chain_open(
    *, name: str, manager_name: str, user_name: str, password: str, now: datetime
) -> StaffMember:
    """A new chain with its first manager, who may sign in and manage all of it from `now` on.

    Raises ChainNameTaken, SignInNameTaken, PasswordWeak.
    """
    user = get_user_model()(username=user_name)
    set_password(user, password, field="password")
    with constraint_as(
        clinics_chain_name_key=ChainNameTaken, auth_user_username_key=SignInNameTaken
    ):
        user.save(force_insert=True)
        chain = Chain.objects.create(name=name)
    resource = Resource.objects.create(chain=chain, kind=ResourceKind.STAFF)
    manager = StaffMember.objects.create(
        chain=chain, resource=resource, user=user, name=manager_name
    )
    Membership.objects.create(
        staff_member=manager, role=Role.CHAIN_MANAGER, valid_during=DateTimeTZRange(now, None)
    )
    return manager
