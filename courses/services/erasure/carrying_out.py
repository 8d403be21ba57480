"""What is personal of a patient is written over, in rows, ledgers and history, in one transaction.

Done by a worker or a command with the role of the tables' owner: the web processes may ask for it
and could not do it.
"""

# ruff: noqa: SLF001 - the framework documents `_meta` as open; names come from the models

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from django.apps import apps
from django.db import connection, models
from django.db.models import Case, F, Value, When
from django.db.models.functions import Concat, TruncYear

from clinics.models import Change
from core.db import command, step
from core.history import subject_lookup
from core.rotation import rewriting
from courses import locks
from courses.models import ErasureDone
from courses.services.erasure.personal import (
    EMPTIED,
    ERASED,
    OTHERWISE,
    WORDS,
    WORDS_OR_CODES,
)
from courses.timing.words import ContactState

BATCH: Final = 20


def erasures_carry_out(*, now: datetime) -> int:
    """Carry out what was asked for; how many. Not a command: each erasure is a unit of its own."""
    done = 0
    while _next_carried_out(now=now):
        done += 1
    return done


@command
def _next_carried_out(*, now: datetime) -> bool:
    waiting = locks.lock_erasures_to_carry_out(limit=1)
    for erasure in waiting:
        with rewriting():
            rows = _write_over(erasure.patient_id, now=now)
            rows["change"] = _redact_history(erasure.patient_id)
        ErasureDone.objects.create(erasure=erasure, rows=rows, done_at=now)
    return bool(waiting)


def columns_erased() -> dict[type[models.Model], list[str]]:
    """For each kind of row the columns whose values go."""
    found: dict[type[models.Model], list[str]] = {}
    for table in (WORDS, WORDS_OR_CODES, EMPTIED, OTHERWISE):
        for label, names in table.items():
            found.setdefault(apps.get_model(label), []).extend(names)
    return {model: names for model, names in found.items() if names}


@step
def _write_over(patient_id: int, *, now: datetime) -> dict[str, int]:
    written = {}
    for model in columns_erased():
        lookup = subject_lookup(model, "patient")
        rows = model._base_manager.filter(**{str(lookup): patient_id})
        written[str(model._meta.model_name)] = rows.update(**_new_values(model, now=now))
    return written


def _new_values(model: type[models.Model], *, now: datetime) -> dict[str, Any]:
    label = model._meta.label
    values: dict[str, Any] = {
        name: Case(When(**{name: ""}, then=Value("")), default=Value(ERASED))
        for name in WORDS.get(label, ())
    }
    values |= {
        name: Case(When(**{f"{name}__in": ["", *codes]}, then=F(name)), default=Value(ERASED))
        for name, codes in WORDS_OR_CODES.get(label, {}).items()
    }
    values |= dict.fromkeys(EMPTIED.get(label, ()), "")
    values |= _SPECIAL.get(label, {})
    if label == "courses.ContactPoint":
        values |= {"state": ContactState.OFF, "off_reason": ERASED, "off_at": now}
    if any(field.name == "version" for field in model._meta.concrete_fields):
        values["version"] = F("version") + 1
    return values


_SPECIAL: Final[Mapping[str, Mapping[str, Any]]] = {
    "courses.ContactPoint": {"quiet_from": None, "quiet_until": None},
    # Unique among all reports, and nobody's name of anything.
    "courses.DeliveryReport": {
        "provider_id": Concat(Value(f"{ERASED}-"), F("id"), output_field=models.CharField())
    },
    "courses.Patient": {
        "family_name": Concat(Value("Patient "), F("id"), output_field=models.CharField()),
        "birth_date": TruncYear("birth_date"),
    },
    "courses.WaitingListEntry": {"wishes": []},
}

_REDACT: Final = """
    UPDATE clinics_change SET
        before = before || COALESCE((SELECT jsonb_object_agg(key, %(erased)s::text)
            FROM jsonb_each_text(before) AS was (key, held)
            WHERE key = ANY (%(columns)s) AND NOT held = ANY (%(codes)s)), '{}'),
        after = after || COALESCE((SELECT jsonb_object_agg(key, %(erased)s::text)
            FROM jsonb_each_text(after) AS became (key, held)
            WHERE key = ANY (%(columns)s) AND NOT held = ANY (%(codes)s)), '{}')
    WHERE patient_id = %(patient)s AND record = %(record)s
"""


@step
def _redact_history(patient_id: int) -> int:
    """The history says which columns changed, when and by whom, and no more what they held."""
    with connection.cursor() as cursor:
        for model, names in columns_erased().items():
            codes = frozenset[str]().union(*WORDS_OR_CODES.get(model._meta.label, {}).values())
            columns = [one.column for one in model._meta.concrete_fields if one.name in names]
            cursor.execute(
                _REDACT,
                {
                    "erased": ERASED,
                    "columns": columns,
                    "codes": sorted(codes),
                    "patient": patient_id,
                    "record": model._meta.model_name,
                },
            )
    theirs = Change.objects.filter(patient_id=patient_id)
    theirs.exclude(reason="").update(reason=ERASED)
    return theirs.count()
