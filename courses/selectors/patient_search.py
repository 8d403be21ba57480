"""Who is meant: patients by what they are called, when they were born, where they are reached."""

from collections.abc import Iterable
from datetime import date
from typing import Final

from django.db.models import Q, QuerySet

from clinics.models import Clinic
from clinics.querysets import HasChain
from core.encryption import blind_indexes
from core.spelling import begins_with
from courses.models import ContactPoint, Patient

FAMILY: Final = "family_name_spelling"
GIVEN: Final = "given_name_spelling"
MOST_WORDS: Final = 5


def patients_sought(
    *, actor: HasChain, name: str = "", birth_date: date | None = None, clinic: Clinic | None = None
) -> QuerySet[Patient]:
    """Patients of the actor's chain of whom all of this is true.

    Every word of `name` (the first five) begins their family or given name, or the whole begins
    the family name; capitals and accents do not matter. Accents alone begin nobody's.
    """
    rows = Patient.objects.visible_to(actor)
    if name and not any(character.isalnum() for character in name):
        return rows.none()
    if name:
        every = Q()
        for word in name.split()[:MOST_WORDS]:
            every &= begins_with(FAMILY, word) | begins_with(GIVEN, word)
        rows = rows.filter(every | begins_with(FAMILY, name))
    if birth_date is not None:
        rows = rows.filter(birth_date=birth_date)
    return rows if clinic is None else rows.filter(home_clinic=clinic)


def patients_reached_at(addresses: Iterable[str], *, actor: HasChain) -> QuerySet[Patient]:
    """Patients of the actor's chain with one of these addresses, in the form they are stored in."""
    sought = [
        index for address in addresses for index in blind_indexes(address, realm=actor.chain_id)
    ]
    theirs = ContactPoint.objects.filter(address_index__in=sought)
    return Patient.objects.visible_to(actor).filter(pk__in=theirs.values("patient"))
