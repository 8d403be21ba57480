"""Row locks of the organisation, each with a name; all are FOR NO KEY UPDATE.

Order: chain, clinic, staff member, then their own rows, and resources last and all at once. A
booking locks nothing of this app but resources.
"""

from collections.abc import Iterable
from typing import Any, Final, TypeVar

from allauth.mfa.models import Authenticator
from django.db.models import QuerySet

from clinics.errors import (
    AbsenceUnknown,
    ChainUnknown,
    ClinicUnknown,
    HoursUnknown,
    MembershipUnknown,
    ResourceUnknown,
    RoomUnknown,
    ShiftUnknown,
    StaffMemberUnknown,
)
from clinics.models import (
    Absence,
    Chain,
    Clinic,
    Closure,
    HolidayOverride,
    Membership,
    OpeningRule,
    Resource,
    Room,
    Shift,
    StaffMember,
)
from clinics.querysets import HasChain
from core.db import lock_rows, step
from core.errors import NotFound
from core.prepared import Prepared

H = TypeVar("H", bound=OpeningRule | Closure | HolidayOverride)

RESOURCES: Final = Prepared("""
    SELECT id, chain_id, clinic_id, kind FROM clinics_resource
    WHERE id = ANY (%(ids)s::bigint[]) ORDER BY id FOR NO KEY UPDATE
""")


@step
def lock_resources(ids: Iterable[int]) -> list[Resource]:
    """These resources, locked in the order of their ids until the unit ends.

    Everything that makes or removes a reservation takes these locks first and all at once, so
    that two writers of the same resources queue instead of deadlocking. Raises ResourceUnknown.
    """
    wanted = set(ids)
    rows = [
        Resource(pk=pk, chain_id=chain_id, clinic_id=clinic_id, kind=kind)
        for pk, chain_id, clinic_id, kind in RESOURCES.rows(ids=sorted(wanted))
    ]
    missing = wanted - {row.pk for row in rows}
    if missing:
        raise ResourceUnknown(resources=sorted(missing))
    return rows


def lock_chain(*, actor: HasChain) -> Chain:
    """The actor's own chain: for what must stay true of the chain as a whole."""
    chain: Chain = _one(Chain.objects.visible_to(actor), ChainUnknown)
    return chain


def lock_clinic(*, pk: int, actor: HasChain) -> Clinic:
    """A clinic of the actor's chain. Raises ClinicUnknown."""
    clinic: Clinic = _one(Clinic.objects.visible_to(actor).filter(pk=pk), ClinicUnknown)
    return clinic


def lock_hours(kind: type[H], *, pk: int, actor: HasChain) -> H:
    """An opening rule, closure or decision about a date. Raises HoursUnknown."""
    row: H = _one(kind.objects.visible_to(actor).filter(pk=pk), HoursUnknown)
    return row


def lock_room(*, pk: int, actor: HasChain) -> Room:
    """A room in the actor's chain. Raises RoomUnknown."""
    room: Room = _one(Room.objects.visible_to(actor).filter(pk=pk), RoomUnknown)
    return room


def lock_staff_member(*, pk: int, actor: HasChain) -> StaffMember:
    """A member of the actor's staff. Raises StaffMemberUnknown."""
    staff: StaffMember = _one(
        StaffMember.objects.visible_to(actor).filter(pk=pk), StaffMemberUnknown
    )
    return staff


def lock_shift(*, pk: int, actor: HasChain) -> Shift:
    """A shift of the actor's staff. Raises ShiftUnknown."""
    shift: Shift = _one(Shift.objects.visible_to(actor).filter(pk=pk), ShiftUnknown)
    return shift


def lock_membership(*, pk: int, actor: HasChain) -> Membership:
    """A membership in the actor's chain. Raises MembershipUnknown."""
    membership: Membership = _one(
        Membership.objects.visible_to(actor).filter(pk=pk), MembershipUnknown
    )
    return membership


def lock_second_factors(*, user_id: int) -> list[Authenticator]:
    """The second factors of a sign-in, in the order in which they were made."""
    return lock_rows(Authenticator.objects.filter(user_id=user_id))


def lock_absence(*, pk: int, actor: HasChain) -> Absence:
    """An absence in the actor's chain. Raises AbsenceUnknown."""
    absence: Absence = _one(Absence.objects.visible_to(actor).filter(pk=pk), AbsenceUnknown)
    return absence


def _one(rows: QuerySet[Any], unknown: type[NotFound]) -> Any:
    for row in lock_rows(rows):
        return row
    raise unknown
