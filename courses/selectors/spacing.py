"""How soon after a planned visit the same skin could be treated next, as far as rules can say.

What the skin does after the session comes later and only lengthens: then the session's own
healing window counts.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final, Self

from clinics.hours import local_date, zone_named
from clinics.models import Chain
from core.prepared import Prepared
from courses.errors import PlaceUnknown, input_refused
from courses.healing import Facts, Policy, Spacing, earliest_instant, spacing_of
from courses.models import Appointment, Course
from courses.selectors.healing import Earliest
from courses.selectors.healing_record import policy_of_chain
from courses.selectors.visits import Visit
from courses.vocabulary import BodySite, SkinType

MAX_AREA_CM2 = 25_000.0
MAX_PASSES = 20

TO_FOLLOW: Final = Prepared("""
    SELECT patient.skin_type, patient.smoker, chain.id, chain.version,
    chain.healing_policy::json,
    (SELECT time_zone FROM clinics_clinic WHERE id = %(clinic)s::bigint),
    (
        SELECT json_agg(json_build_array(tattoo.site, tattoo.area_cm2, part.share)
            ORDER BY part.id)
        FROM courses_course_tattoos AS own
        JOIN courses_tattoo AS tattoo ON tattoo.id = own.tattoo_id
        JOIN courses_tattoopart AS part ON part.tattoo_id = tattoo.id
        WHERE own.course_id = course.id AND part.cleared_on IS NULL
    )
    FROM courses_course AS course
    JOIN courses_patient AS patient ON patient.id = course.patient_id
    JOIN clinics_chain AS chain ON chain.id = course.chain_id
    WHERE course.id = %(course)s::bigint
""")


@dataclass(frozen=True, slots=True)
class Follow:
    """When a next session could follow a visit: local dates of the visit's clinic.

    `earliest_at` and `advised_at` are the instants at which they begin there.
    """

    earliest_on: date
    advised_on: date
    earliest_at: datetime
    advised_at: datetime

    @classmethod
    def on(cls, earliest_on: date, *, advised_on: date, zone: str) -> Self:
        """With the instants at which the two dates begin in an IANA zone."""
        return cls(
            earliest_on=earliest_on,
            advised_on=advised_on,
            earliest_at=earliest_instant(earliest_on, zone=zone),
            advised_at=earliest_instant(advised_on, zone=zone),
        )


def follow_of(course: Course, visit: Visit) -> Follow:
    """When the same skin could be treated after a visit that is to be. One query.

    The strictest of the course's body sites counts, with all the area that is left. Raises
    PlaceUnknown, InputRefused (a healing policy that is not allowed).
    """
    [row] = TO_FOLLOW.rows(course=course.pk, clinic=visit.place.clinic_id)
    skin_type, smoker, chain_id, version, rules, zone, parts = row
    if zone is None:
        raise PlaceUnknown(field="clinic", id=visit.place.clinic_id)
    visited_on = local_date(visit.starts_at, zone_named(zone))
    facts = Facts(
        treated_on=visited_on,
        today=visited_on,
        passes=min(visit.planned_passes, MAX_PASSES),
        skin_type=SkinType(skin_type),
        area_cm2=min(sum(area * share for _, area, share in parts or ()), MAX_AREA_CM2) or None,
        smoker=smoker,
    )
    with input_refused():
        policy = policy_of_chain(Chain(pk=chain_id, version=version, healing_policy=rules))
        spacing = _strictest(facts, sites={site for site, _, _ in parts or ()}, policy=policy)
    return Follow.on(
        visited_on + timedelta(days=spacing.earliest_days),
        advised_on=visited_on + timedelta(days=spacing.advised_days),
        zone=zone,
    )


def stored_follow(appointment: Appointment) -> Follow | None:
    """What `follow_of` gave when the appointment was written; None where nobody asked it.

    Expects the clinic to have been read with the appointment.
    """
    if appointment.next_earliest_at is None or appointment.next_advised_on is None:
        return None
    zone = appointment.clinic.time_zone
    return Follow.on(
        local_date(appointment.next_earliest_at, zone_named(zone)),
        advised_on=appointment.next_advised_on,
        zone=zone,
    )


def after(earliest: Earliest, follow: Follow) -> Earliest:
    """The later of what healing windows say and what a visit still to come lets expect."""
    return replace(
        earliest,
        on=max(filter(None, [earliest.on, follow.earliest_on])),
        closes_at=max(filter(None, [earliest.closes_at, follow.earliest_at])),
        advised_on=max(filter(None, [earliest.advised_on, follow.advised_on])),
    )


def _strictest(facts: Facts, *, sites: Collection[str], policy: Policy) -> Spacing:
    on_sites = [replace(facts, site=BodySite(site)) for site in sites]
    return max(
        (spacing_of(one, policy) for one in on_sites or [facts]),
        key=lambda spacing: (spacing.earliest_days, spacing.advised_days),
    )
