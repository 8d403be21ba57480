"""The chain's own cadence, version by version."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from clinics.access import Actor
from core.db import command, constraint_as
from courses.channels import KIND
from courses.errors import CadenceMalformed, PolicyOvertaken
from courses.models import RecallPolicy
from courses.selectors.recalls.policies import number_in_force
from courses.timing import BadCadence, CadenceStep, cadence_of, document_of


@command
def recall_policy_set(
    *, document: Mapping[str, Any], based_on: int, note: str, actor: Actor, now: datetime
) -> RecallPolicy:
    """Put a new version of the cadence in force; for managers of the whole chain.

    `based_on` is the number of the version that it changes (0: the default). Plans follow at the
    next ticks, those that are due first. Raises NotAllowed, CadenceMalformed, PolicyOvertaken
    when another version came in between.
    """
    actor.require("recall_policy.write")
    if number_in_force(actor.chain_id) != based_on:
        raise PolicyOvertaken(in_force=number_in_force(actor.chain_id))
    number = based_on + 1
    try:
        cadence = cadence_of(document, number=number)
        _require_texts(cadence.steps)
    except BadCadence as fault:
        where = f"/document/{fault.field}" if fault.field else "/document"
        raise CadenceMalformed(
            str(fault),
            errors=[{"pointer": where, "code": fault.rule, "detail": str(fault)}],
        ) from fault
    policy = RecallPolicy(
        chain_id=actor.chain_id,
        number=number,
        document=document_of(cadence),
        note=note,
        set_by_id=actor.staff_id,
        set_at=now,
    )
    with constraint_as(recallpolicy_number_once_per_chain=PolicyOvertaken(in_force=number)):
        policy.save(force_insert=True)
    return policy


def _require_texts(steps: Sequence[CadenceStep]) -> None:
    """Each step names a text of its kind: only there is all known that the text speaks of."""
    for place, step in enumerate(steps):
        if KIND.get(step.template) is not step.kind:
            known = ", ".join(sorted(name for name, kind in KIND.items() if kind is step.kind))
            wrong = "is for another kind of step" if step.template in KIND else "is not there"
            raise BadCadence(
                f"the text {step.template} {wrong}; for {step.kind} there are {known}",
                field=f"steps/{place}/template",
                rule="template",
            )
