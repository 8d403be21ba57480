"""Whether a visit to come finds eyewear in its room that fits what it will fire."""

from datetime import datetime

from clinics.hours import local_date, zone_named
from clinics.querysets import HasChain
from courses.selectors.visits import Visit
from devices.models import Laser
from devices.selectors import (
    EyewearQuestion,
    EyewearStanding,
    eyewear_policy_of,
    eyewear_standing,
)
from devices.vocabulary import EyewearCheck


def visit_eyewear(
    visit: Visit, *, actor: HasChain, now: datetime, only: EyewearCheck | None = None
) -> EyewearStanding | None:
    """What is in the room for the operator and the patient; None where the chain does not ask.

    `only` asks where the chain's rule for bookings is that one. Inspections count as they stand
    on the day of asking: until the visit they can be renewed. One query, or five.
    """
    policy = eyewear_policy_of(actor.chain_id)
    if policy.at_booking == EyewearCheck.OFF or only not in {None, policy.at_booking}:
        return None
    place = visit.place
    rows = Laser.objects.visible_to(actor).select_related("clinic")
    laser = rows.filter(pk=place.laser_id).first()
    if laser is None:
        return None
    return eyewear_standing(
        EyewearQuestion(
            clinic_id=place.clinic_id,
            room_id=place.room_id,
            laser_model_id=laser.laser_model_id,
            on=local_date(now, zone_named(laser.clinic.time_zone)),
            wavelengths_nm=frozenset(visit.wavelengths_nm),
        ),
        policy=policy,
    )
