"""Who was shown whose record: one INSERT for each request that showed any.

The role of the web processes may add such rows and change none (`core.history`).
"""

# ruff: noqa: SLF001, S608 - the framework documents `_meta` as open; names come from the models

from collections.abc import Collection
from datetime import datetime
from functools import cache
from typing import Any, Final

from django.apps import apps
from django.conf import settings

from core.history import subject_sql
from core.prepared import Prepared
from core.request_id import current_request_id

OPERATION_LENGTH: Final = 80


def leads_to_patient(model: Any) -> bool:
    """Whether a row of the model is part of a patient's record."""
    return _statement(model) is not None


def note_reads(
    model: Any,
    *,
    keys: Collection[int],
    actor: Any,
    operation: str,
    now: datetime,
) -> None:
    """Note that these rows were shown to the actor: one row for each patient among them."""
    statement = _statement(model)
    if statement is not None and keys:
        statement.rows(
            keys=sorted(keys),
            chain=actor.chain_id,
            staff=actor.staff_id,
            operation=operation[:OPERATION_LENGTH],
            request=current_request_id(),
            now=now,
        )


@cache
def _statement(model: Any) -> Prepared | None:
    patient = subject_sql(model, "patient")
    if patient is None:
        return None
    reads = apps.get_model(settings.FALLOW_READ_MODEL)._meta.db_table
    table = model._meta.db_table
    return Prepared(f"""
        INSERT INTO {reads} (at, chain_id, patient_id, staff_id, operation, request_id)
        SELECT %(now)s::timestamptz, %(chain)s::bigint, shown.patient, %(staff)s::bigint,
               %(operation)s::text, %(request)s::text
        FROM (SELECT DISTINCT {patient.replace("{row}", "r")} AS patient
              FROM {table} AS r WHERE r.id = ANY (%(keys)s::bigint[])) AS shown
        WHERE shown.patient IS NOT NULL
        RETURNING id
    """)
