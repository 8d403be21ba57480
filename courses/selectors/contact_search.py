"""Who is reached at an address, found by its blind index."""

from collections.abc import Iterable

from django.db.models import QuerySet

from clinics.querysets import HasChain
from core.encryption import blind_indexes
from courses.models import ContactPoint, Patient


def patients_reached_at(addresses: Iterable[str], *, actor: HasChain) -> QuerySet[Patient]:
    """Patients of the actor's chain with one of these addresses, in the form they are stored in."""
    sought = [
        index for address in addresses for index in blind_indexes(address, realm=actor.chain_id)
    ]
    theirs = ContactPoint.objects.filter(address_index__in=sought)
    return Patient.objects.visible_to(actor).filter(pk__in=theirs.values("patient"))
