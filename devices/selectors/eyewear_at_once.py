"""All that a check of a room's eyewear reads, in one prepared statement for each booking."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from clinics.hours import local_date, zone_named
from core.prepared import Prepared
from devices.models import AccompanyingEmission, EmissionLine, Eyewear, EyewearPolicy
from devices.selectors.eyewear import EyewearQuestion, EyewearStanding, room_check
from devices.vocabulary import EyewearCheck

AT_HAND: Final = Prepared("""
    SELECT laser.laser_model_id, clinic.time_zone, (
        SELECT json_build_object(
            'id', id, 'at_booking', at_booking, 'at_session', at_session,
            'limit_set', limit_set, 'exposure_s', exposure_s, 'margin', margin,
            'needs_levels', needs_levels, 'inspection_months', inspection_months
        )
        FROM devices_eyewearpolicy WHERE chain_id = laser.chain_id
    ),
    (
        SELECT json_agg(json_build_object(
            'id', id, 'wavelength_nm', wavelength_nm, 'pulse_min_ns', pulse_min_ns,
            'pulse_max_ns', pulse_max_ns, 'spot_sizes_mm', spot_sizes_mm,
            'max_energy_j', max_energy_j, 'max_rate_hz', max_rate_hz
        ) ORDER BY wavelength_nm, pulse_min_ns)
        FROM devices_emissionline WHERE laser_model_id = laser.laser_model_id
    ),
    (
        SELECT json_agg(json_build_object(
            'line_id', line_id, 'wavelength_nm', beside.wavelength_nm,
            'max_energy_j', beside.max_energy_j
        ) ORDER BY beside.wavelength_nm)
        FROM devices_accompanyingemission AS beside
        JOIN devices_emissionline AS line ON line.id = beside.line_id
        WHERE line.laser_model_id = laser.laser_model_id
    ),
    (
        SELECT json_agg(json_build_object(
            'id', id, 'label', label, 'kind', kind, 'densities', densities, 'marks', marks,
            'state', state, 'inspected_on', inspected_on
        ) ORDER BY label)
        FROM devices_eyewear
        WHERE chain_id = laser.chain_id AND clinic_id = clinic.id
        AND (room_id IS NULL OR room_id = %(room)s::bigint)
    )
    FROM devices_laser AS laser
    JOIN clinics_clinic AS clinic ON clinic.id = %(clinic)s::bigint
    AND clinic.chain_id = laser.chain_id
    WHERE laser.id = %(laser)s::bigint AND laser.chain_id = %(chain)s::bigint
""")


@dataclass(frozen=True, slots=True)
class AtHand:
    """A laser's lines with what accompanies them, a room's eyewear, and what the chain demands."""

    laser_model_id: int
    time_zone: str
    policy: EyewearPolicy
    lines: Sequence[EmissionLine]
    accompanying: Sequence[AccompanyingEmission]
    eyewear: Sequence[Eyewear]


def eyewear_for_visit(
    *,
    laser_id: int,
    clinic_id: int,
    room_id: int,
    wavelengths_nm: frozenset[int],
    chain_id: int,
    now: datetime,
    only: EyewearCheck | None = None,
) -> EyewearStanding | None:
    """What the room has for a visit; None where the chain does not ask it of bookings. One query.

    `only` asks where the chain's rule for bookings is that one. Inspections count as they stand
    on the day of asking: until the visit they can be renewed.
    """
    for row in AT_HAND.rows(laser=laser_id, clinic=clinic_id, room=room_id, chain=chain_id):
        policy = EyewearPolicy(chain_id=chain_id, **(row[2] or {}))
        rule = EyewearCheck(policy.at_booking)
        if rule is EyewearCheck.OFF or only not in {None, rule}:
            return None
        found = _at_hand(row, policy=policy)
        question = EyewearQuestion(
            clinic_id=clinic_id,
            room_id=room_id,
            laser_model_id=found.laser_model_id,
            on=local_date(now, zone_named(found.time_zone)),
            wavelengths_nm=wavelengths_nm,
        )
        check = room_check(
            found.lines, found.accompanying, found.eyewear, question=question, policy=found.policy
        )
        return EyewearStanding(found.policy, check)
    return None


def _at_hand(row: tuple[Any, ...], *, policy: EyewearPolicy) -> AtHand:
    model_id, time_zone, _, lines, accompanying, eyewear = row
    return AtHand(
        laser_model_id=model_id,
        time_zone=time_zone,
        policy=policy,
        lines=[EmissionLine(**one) for one in lines or ()],
        accompanying=[AccompanyingEmission(**one) for one in accompanying or ()],
        eyewear=[_piece(one) for one in eyewear or ()],
    )


def _piece(row: dict[str, Any]) -> Eyewear:
    inspected = row["inspected_on"]
    return Eyewear(**{**row, "inspected_on": inspected and date.fromisoformat(inspected)})
