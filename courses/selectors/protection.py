"""Whether a visit to come finds eyewear in its room that fits what it will fire."""

from datetime import datetime

from clinics.querysets import HasChain
from courses.selectors.visits import Visit
from devices.selectors import EyewearStanding
from devices.selectors.eyewear_at_once import eyewear_for_visit
from devices.vocabulary import EyewearCheck


def visit_eyewear(
    visit: Visit, *, actor: HasChain, now: datetime, only: EyewearCheck | None = None
) -> EyewearStanding | None:
    """What is in the room for the operator and the patient; None where the chain does not ask.

    `only` asks where the chain's rule for bookings is that one. One query.
    """
    place = visit.place
    return eyewear_for_visit(
        laser_id=place.laser_id,
        clinic_id=place.clinic_id,
        room_id=place.room_id,
        wavelengths_nm=frozenset(visit.wavelengths_nm),
        chain_id=actor.chain_id,
        now=now,
        only=only,
    )
