"""Who and what each clinic has over a span: rooms, people on shift, lasers and handpieces.

Three queries for any number of clinics: rows that hang on a clinic, a laser or a person come as
JSON beside it. Slot search and capacity both start from here.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Exists, OuterRef, QuerySet
from django.db.models.functions import JSONObject, Lower, Upper

from clinics.hours import (
    ClinicCalendar,
    DateOverride,
    WeeklyRule,
    local_date,
    opening_spans,
    zone_named,
)
from clinics.hours.wall_time import ONE_DAY
from clinics.models import (
    Clinic,
    Closure,
    Credential,
    HolidayOverride,
    OpeningRule,
    Room,
    Shift,
    StaffMember,
)
from clinics.querysets import HasChain
from clinics.vocabulary import CredentialKind, HolidayTreatment
from core.spans import Span, intersect
from core.vocabulary import DeviceStatus
from courses.slots import FittedTo, LockedOut, OperatorCredential
from devices.models import EmissionLine, Fitting, Laser, LaserAuthorisation, LockOut

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class RosterRoom:
    """A room in use."""

    id: int
    resource_id: int
    laser_controlled: bool
    cleared_wavelengths_nm: frozenset[int]


@dataclass(frozen=True, slots=True)
class RosterOperator:
    """A member of staff with shifts at one clinic."""

    id: int
    resource_id: int
    on_shift: tuple[Span, ...]
    credentials: tuple[OperatorCredential, ...]


@dataclass(frozen=True, slots=True)
class RosterHandpiece:
    """A handpiece and the lasers of this clinic it is fitted to during the span."""

    id: int
    resource_id: int
    wavelengths_nm: frozenset[int]
    fitted: tuple[FittedTo, ...]


@dataclass(frozen=True, slots=True)
class RosterLaser:
    """A laser in use, with its lines and when it is locked out."""

    id: int
    resource_id: int
    model_id: int
    room_id: int | None
    wavelengths_nm: frozenset[int]
    locked_out: tuple[LockedOut, ...]


RosterUnit = RosterRoom | RosterOperator | RosterLaser | RosterHandpiece


@dataclass(frozen=True, slots=True)
class ClinicRoster:
    """One clinic: when it is open (UTC), and everyone and everything that could serve there."""

    id: int
    name: str
    zone: ZoneInfo
    open: tuple[Span, ...]
    rooms: tuple[RosterRoom, ...]
    operators: tuple[RosterOperator, ...]
    lasers: tuple[RosterLaser, ...]
    handpieces: tuple[RosterHandpiece, ...]

    def resource_ids(self) -> set[int]:
        """The resources of all of them."""
        units: tuple[RosterUnit, ...] = (
            *self.rooms,
            *self.operators,
            *self.lasers,
            *self.handpieces,
        )
        return {unit.resource_id for unit in units}


def rosters_for(clinic_ids: Iterable[int], *, span: Span, actor: HasChain) -> list[ClinicRoster]:
    """The rosters of those of these clinics that are the actor's and in use, by name.

    Three queries for any number of clinics.
    """
    clinics = list(_clinics(clinic_ids, span).visible_to(actor))
    ids = [clinic.pk for clinic in clinics]
    lasers: dict[int, list[Any]] = defaultdict(list)
    for laser in _lasers(ids, span):
        lasers[laser.clinic_id].append(laser)
    staff = list(_staff(ids, span))
    return [
        ClinicRoster(
            id=clinic.pk,
            name=clinic.name,
            zone=zone_named(clinic.time_zone),
            open=tuple(_open_spans(clinic, span=span)),
            rooms=tuple(_room(row) for row in clinic.room_rows),
            operators=tuple(_operators(clinic.pk, staff)),
            lasers=tuple(_laser(laser) for laser in lasers[clinic.pk]),
            handpieces=tuple(_handpieces(lasers[clinic.pk])),
        )
        for clinic in clinics
    ]


def _rows(queryset: QuerySet[Any], **fields: Any) -> ArraySubquery:
    return ArraySubquery(queryset.values(row=JSONObject(**fields)))


def _clinics(clinic_ids: Iterable[int], span: Span) -> Any:
    here = {"clinic": OuterRef("pk")}
    dates = (span.start.date() - ONE_DAY, span.end.date() + ONE_DAY)
    return Clinic.objects.filter(pk__in=list(clinic_ids), active=True).annotate(
        rule_rows=_rows(
            OpeningRule.objects.filter(**here),
            weekday="weekday",
            opens="opens",
            closes="closes",
            since=Lower("valid_during"),
            until=Upper("valid_during"),
        ),
        closure_rows=_rows(
            Closure.objects.filter(**here, period__overlap=(span.start, span.end)),
            start=Lower("period"),
            end=Upper("period"),
        ),
        override_rows=_rows(
            HolidayOverride.objects.filter(**here, date__range=dates),
            day="date",
            treatment="treatment",
            opens="opens",
            closes="closes",
        ),
        room_rows=_rows(
            Room.objects.filter(**here, active=True).order_by("pk"),
            id="pk",
            resource="resource_id",
            controlled="laser_controlled",
            cleared="cleared_wavelengths_nm",
        ),
    )


def _lasers(clinic_ids: Sequence[int], span: Span) -> Any:
    during = {"laser": OuterRef("pk"), "period__overlap": (span.start, span.end)}
    lines = EmissionLine.objects.order_by("wavelength_nm").values("wavelength_nm")
    return (
        Laser.objects.filter(clinic_id__in=clinic_ids, status=DeviceStatus.ACTIVE)
        .order_by("pk")
        .annotate(
            wavelengths=ArraySubquery(lines.filter(laser_model=OuterRef("laser_model"))),
            lock_out_rows=_rows(
                LockOut.objects.filter(**during), start=Lower("period"), end=Upper("period")
            ),
            fitting_rows=_rows(
                Fitting.objects.filter(**during, handpiece__status=DeviceStatus.ACTIVE),
                id="handpiece_id",
                resource="handpiece__resource_id",
                start=Lower("period"),
                end=Upper("period"),
                wavelengths=ArraySubquery(lines.filter(handpieces=OuterRef("handpiece"))),
            ),
        )
    )


def _staff(clinic_ids: Sequence[int], span: Span) -> Any:
    shifts = Shift.objects.filter(
        staff_member=OuterRef("pk"),
        clinic_id__in=clinic_ids,
        period__overlap=(span.start, span.end),
    )
    credentials = Credential.objects.filter(
        staff_member=OuterRef("pk"), kind=CredentialKind.LASER_OPERATION
    )
    models = LaserAuthorisation.objects.filter(credential=OuterRef("pk"))
    return (
        StaffMember.objects.filter(Exists(shifts), active=True)
        .order_by("pk")
        .annotate(
            shift_rows=_rows(
                shifts, clinic="clinic_id", start=Lower("period"), end=Upper("period")
            ),
            credential_rows=_rows(
                credentials,
                since=Lower("valid_during"),
                until=Upper("valid_during"),
                wavelengths="wavelengths_nm",
                models=ArraySubquery(models.values("laser_model_id")),
            ),
        )
    )


def _room(row: Json) -> RosterRoom:
    return RosterRoom(
        id=row["id"],
        resource_id=row["resource"],
        laser_controlled=row["controlled"],
        cleared_wavelengths_nm=frozenset(row["cleared"]),
    )


def _laser(laser: Any) -> RosterLaser:
    return RosterLaser(
        id=laser.pk,
        resource_id=laser.resource_id,
        model_id=laser.laser_model_id,
        room_id=laser.room_id,
        wavelengths_nm=frozenset(laser.wavelengths),
        locked_out=tuple(
            LockedOut(_instant(row["start"]), _end(row["end"])) for row in laser.lock_out_rows
        ),
    )


def _operators(clinic_id: int, staff: Iterable[Any]) -> Iterator[RosterOperator]:
    for member in staff:
        shifts = tuple(_span(row) for row in member.shift_rows if row["clinic"] == clinic_id)
        if shifts:
            yield RosterOperator(
                id=member.pk,
                resource_id=member.resource_id,
                on_shift=shifts,
                credentials=tuple(_credential(row) for row in member.credential_rows),
            )


def _credential(row: Json) -> OperatorCredential:
    return OperatorCredential(
        valid_from=date.fromisoformat(row["since"]),
        valid_until=_date(row["until"]),
        wavelengths_nm=frozenset(row["wavelengths"]),
        laser_model_ids=frozenset(row["models"]),
    )


def _handpieces(lasers: Iterable[Any]) -> Iterator[RosterHandpiece]:
    fittings: dict[int, list[tuple[int, Json]]] = defaultdict(list)
    for laser in lasers:
        for row in laser.fitting_rows:
            fittings[row["id"]].append((laser.pk, row))
    for handpiece_id, rows in sorted(fittings.items()):
        yield RosterHandpiece(
            id=handpiece_id,
            resource_id=rows[0][1]["resource"],
            wavelengths_nm=frozenset(rows[0][1]["wavelengths"]),
            fitted=tuple(
                FittedTo(laser_id, _instant(row["start"]), _end(row["end"]))
                for laser_id, row in rows
            ),
        )


def _open_spans(clinic: Any, *, span: Span) -> list[Span]:
    zone = zone_named(clinic.time_zone)
    calendar = ClinicCalendar(
        zone=zone,
        weekly=tuple(_weekly(row) for row in clinic.rule_rows),
        closures=tuple(_span(row) for row in clinic.closure_rows),
        overrides=tuple(_override(row) for row in clinic.override_rows),
        country=clinic.country,
        subdivision=clinic.subdivision,
    )
    spans = opening_spans(
        calendar,
        from_date=local_date(span.start, zone),
        to_date=local_date(span.end, zone) + ONE_DAY,
    )
    return intersect(spans, [span])


def _weekly(row: Json) -> WeeklyRule:
    return WeeklyRule(
        weekday=row["weekday"],
        opens=time.fromisoformat(row["opens"]),
        closes=time.fromisoformat(row["closes"]),
        valid_from=_date(row["since"]),
        valid_until=_date(row["until"]),
    )


def _override(row: Json) -> DateOverride:
    return DateOverride(
        day=date.fromisoformat(row["day"]),
        treatment=HolidayTreatment(row["treatment"]),
        opens=time.fromisoformat(row["opens"]) if row["opens"] else None,
        closes=time.fromisoformat(row["closes"]) if row["closes"] else None,
    )


def _span(row: Json) -> Span:
    return Span(_instant(row["start"]), _instant(row["end"]))


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _end(text: str | None) -> datetime | None:
    return _instant(text) if text else None


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
