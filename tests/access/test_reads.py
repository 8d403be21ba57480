"""Who is shown something of a patient leaves a note of it: a read, or a change of the record.

Asked of every operation as somebody who may: whoever the answer names, and whose record the request
asks about, by its address or its body.
"""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from django.apps import apps

from clinics.models import Change, RecordRead
from clinics.policy import POLICY
from clinics.vocabulary import Role
from core.history import subject_lookup
from tests.support.asking import ask, body_of, keys_of
from tests.support.operations import Operation, operations, related

pytestmark = pytest.mark.django_db

OF_READS = {"GET /api/v1/record-reads", "GET /api/v1/history-export"}
"""Who read what, which shows nothing of a record; and a stream that notes as it goes."""

ASKED = [one for one in operations() if one.key in POLICY and one.name not in OF_READS]


def named_in(answer: Any) -> Iterator[int]:
    """Patients that an answer names."""
    if isinstance(answer, list):
        for one in answer:
            yield from named_in(one)
    if isinstance(answer, dict):
        for name, value in answer.items():
            if name == "patient" and isinstance(value, int):
                yield value
            if name == "patient" and isinstance(value, dict):
                yield value["id"]
            yield from named_in(value)


def asked_about(one: Operation, keys: dict[str, Any], body: Any) -> Iterator[int]:
    """Patients whose records the request asks about."""
    of_address = {name: model for name, model in one.path_models().items() if model is not None}
    told = [(model, keys[name]) for name, model in of_address.items()]
    told += [(model, value) for path, model in related(one.body) for value in at(body, path)]
    for kind, key in told:
        model = of_record(kind) if isinstance(kind, str) else kind
        lookup = None if model is None else subject_lookup(model, "patient")
        if lookup is not None:
            yield from model._base_manager.filter(pk=key).values_list(lookup, flat=True)


def of_record(name: str) -> Any:
    """The model of the name of a key in a body (`course`, `appointments`); None for another."""
    models = apps.get_app_config("courses").models
    return models.get(name) or models.get(name.removesuffix("s"))


def at(body: Any, path: tuple[Any, ...]) -> Iterator[Any]:
    """The values at a path of a body, where it has any."""
    if not path:
        yield body
    elif isinstance(body, list):
        for one in body:
            yield from at(one, path[1:])
    elif isinstance(body, dict) and path[0] in body:
        yield from at(body[path[0]], path[1:])


@pytest.mark.parametrize("role", [Role.TREATING_CLINICIAN, Role.FRONT_DESK, Role.CHAIN_MANAGER])
def test_whoever_is_shown_a_record_leaves_a_note_of_it(world, role):
    silent, seen = [], set()
    for one in ASKED:
        if role not in POLICY[one.key].roles:
            continue
        keys, body = keys_of(world, one), body_of(world, one)
        about = {patient for patient in asked_about(one, keys, body) if patient is not None}
        changes = Change.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
        reads = RecordRead.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
        noted: set[int] = set()

        def keep(_answer: Any, noted=noted, changes=changes, reads=reads) -> None:
            noted |= set(Change.objects.filter(pk__gt=changes).values_list("patient_id", flat=True))
            noted |= set(
                RecordRead.objects.filter(pk__gt=reads).values_list("patient_id", flat=True)
            )

        answer = ask(world, one, world.caller(role, world.home), keys=keys, body=body, keep=keep)
        if not 200 <= answer.status < 300 or not answer.text.startswith(("{", "[")):
            continue
        shown = about | set(named_in(json.loads(answer.text)))
        seen |= {one.name} if shown else set()
        if shown - noted:
            silent.append(f"{one.name}: {sorted(shown - noted)[:5]}")
    assert silent == []
    assert len(seen) > 10
