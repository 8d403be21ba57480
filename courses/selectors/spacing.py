"""How soon after a planned visit the same skin could be treated next, as far as rules can say.

What the skin does after the session comes later and only lengthens: then the session's own
healing window counts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, Self

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef, Subquery
from django.db.models.functions import JSONObject

from clinics.hours import local_date, zone_named
from clinics.models import Clinic
from courses.errors import PlaceUnknown, input_refused
from courses.healing import Facts, Spacing, earliest_instant, spacing_of
from courses.models import Appointment, Course, TattooPart
from courses.selectors.healing import Earliest
from courses.selectors.healing_record import policy_of_chain
from courses.selectors.visits import Visit
from courses.vocabulary import BodySite, SkinType

MAX_AREA_CM2 = 25_000.0
MAX_PASSES = 20


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
    here = Clinic.objects.filter(pk=visit.place.clinic_id)
    left = TattooPart.objects.filter(tattoo__courses=OuterRef("pk"), cleared_on__isnull=True)
    row: Any = (
        Course.objects.filter(pk=course.pk)
        .select_related("patient", "chain")
        .annotate(
            zone=Subquery(here.values("time_zone")[:1]),
            parts=ArraySubquery(
                left.values(
                    row=JSONObject(site="tattoo__site", area="tattoo__area_cm2", share="share")
                )
            ),
        )
        .get()
    )
    if row.zone is None:
        raise PlaceUnknown(field="clinic", id=visit.place.clinic_id)
    visited_on = local_date(visit.starts_at, zone_named(row.zone))
    with input_refused():
        spacing = _spacing(row, parts=row.parts, on=visited_on, passes=visit.planned_passes)
    return Follow.on(
        visited_on + timedelta(days=spacing.earliest_days),
        advised_on=visited_on + timedelta(days=spacing.advised_days),
        zone=row.zone,
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


def _spacing(course: Any, *, parts: Sequence[Mapping[str, Any]], on: date, passes: int) -> Spacing:
    area = sum(part["area"] * part["share"] for part in parts)
    sites: list[BodySite | None] = [BodySite(site) for site in {part["site"] for part in parts}]
    policy = policy_of_chain(course.chain)
    patient = course.patient
    return max(
        (
            spacing_of(
                Facts(
                    treated_on=on,
                    today=on,
                    passes=min(passes, MAX_PASSES),
                    skin_type=SkinType(patient.skin_type),
                    site=site,
                    area_cm2=min(area, MAX_AREA_CM2) or None,
                    smoker=patient.smoker,
                ),
                policy,
            )
            for site in sites or [None]
        ),
        key=lambda spacing: (spacing.earliest_days, spacing.advised_days),
    )
