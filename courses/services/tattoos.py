"""Tattoos with their parts, as they are assessed."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from clinics.access import Actor
from core.db import command, step
from courses import locks
from courses.errors import (
    FieldsMalformed,
    PartsInUse,
    PatientUnknown,
    TattooUnknown,
    field_malformed,
)
from courses.models import Course, Tattoo, TattooPart
from courses.services.healing import windows_recompute
from courses.vocabulary import CourseStatus

SHARE_TOLERANCE: Final = 1e-6
EARTH_AHEAD: Final = timedelta(hours=14)
RUNNING: Final = (CourseStatus.ACTIVE, CourseStatus.ON_HOLD)
HEALING_FACTS: Final = frozenset({"site", "area_cm2", "palpable"})
OF_A_PART: Final = ("colour", "technique", "share")

Parts = Sequence[Mapping[str, Any]]


@command
def tattoo_create(
    *, patient_id: int, fields: Mapping[str, Any], parts: Parts, actor: Actor, now: datetime
) -> Tattoo:
    """Add a tattoo with its parts. Raises PatientUnknown, FieldsMalformed."""
    _check_parts(parts)
    _check_made_on(fields, now=now)
    patient = locks.lock_patient(pk=patient_id)
    if patient is None or patient.chain_id != actor.chain_id:
        raise PatientUnknown(patient=patient_id)
    tattoo = Tattoo.objects.create(patient=patient, **fields)
    _write_parts(tattoo, parts)
    return tattoo


@command
def tattoo_change(
    *,
    tattoo_id: int,
    changes: Mapping[str, Any],
    parts: Parts | None,
    expected_version: int | None,
    actor: Actor,
    now: datetime,
) -> Tattoo:
    """Change what was assessed. `parts` replaces all parts, while nothing stands on them.

    Raises TattooUnknown, Stale, FieldsMalformed, PartsInUse.
    """
    if parts is not None:
        _check_parts(parts)
    _check_made_on(changes, now=now)
    courses = lock_courses_of(tattoo_id, actor=actor)
    tattoo = locks.lock_tattoo(pk=tattoo_id)
    if tattoo is None or tattoo.patient.chain_id != actor.chain_id:
        raise TattooUnknown(tattoo=tattoo_id)
    tattoo.check_version(expected_version)
    differ = {name for name, value in changes.items() if getattr(tattoo, name) != value}
    for name in differ:
        setattr(tattoo, name, changes[name])
    if parts is not None and not _has_parts(tattoo, parts):
        _replace_parts(tattoo, parts)
        tattoo.note_change()
    tattoo.save()
    if differ & HEALING_FACTS:
        windows_recompute(courses=courses, cause=f"tattoo:{tattoo.pk}", now=now)
    return tattoo


def _check_parts(parts: Parts) -> None:
    errors = []
    seen: set[tuple[str, str]] = set()
    for index, part in enumerate(parts):
        key = (part["colour"], part["technique"])
        if key in seen:
            errors.append(
                {
                    "pointer": f"/parts/{index}",
                    "code": "duplicate",
                    "detail": f"{part['colour']} {part['technique']} is there already.",
                }
            )
        seen.add(key)
    total = sum(part["share"] for part in parts)
    if abs(total - 1) > SHARE_TOLERANCE:
        errors.append(
            {
                "pointer": "/parts",
                "code": "shares-sum",
                "detail": f"The shares of the parts must sum to 1, not {total:g}.",
            }
        )
    if errors:
        raise FieldsMalformed(errors[0]["detail"], errors=errors)


def _check_made_on(fields: Mapping[str, Any], *, now: datetime) -> None:
    made_on = fields.get("made_on")
    if made_on is not None and made_on > (now + EARTH_AHEAD).date():
        raise field_malformed(
            "/made_on", code="in_the_future", detail="The tattoo is there, not to come."
        )


@step
def _write_parts(tattoo: Tattoo, parts: Parts) -> None:
    TattooPart.objects.bulk_create(TattooPart(tattoo=tattoo, **part) for part in parts)


def _has_parts(tattoo: Tattoo, parts: Parts) -> bool:
    """Whether the tattoo has exactly these parts, whatever their order."""
    has = [[getattr(row, name) for name in OF_A_PART] for row in tattoo.parts.all()]
    given = [[part[name] for name in OF_A_PART] for part in parts]
    return sorted(has) == sorted(given)


@step
def _replace_parts(tattoo: Tattoo, parts: Parts) -> None:
    used = tattoo.parts.filter(grades__isnull=False) | tattoo.parts.filter(passes__isnull=False)
    if used.exists():
        raise PartsInUse(tattoo=tattoo.pk, parts=sorted({part.pk for part in used}))
    tattoo.parts.all().delete()
    _write_parts(tattoo, parts)


@step
def lock_courses_of(tattoo_id: int, *, actor: Actor) -> list[Course]:
    """Lock the running courses of a tattoo: what happens to their windows waits for us."""
    running = Course.objects.visible_to(actor).filter(tattoos=tattoo_id, status__in=RUNNING)
    return locks.lock_courses(running.values_list("pk", flat=True))
