"""A chain's own words, version by version."""

from datetime import datetime

from clinics.access import Actor
from core.db import command, constraint_as
from courses.channels import MAY, Flaw, Wording, flaws
from courses.errors import FieldsMalformed, TemplateOvertaken, field_malformed
from courses.models import MessageTemplate
from courses.selectors.recalls.templates import newest_template


@command
def message_template_set(
    *,
    name: str,
    language: str,
    wording: Wording | None,
    based_on: int,
    actor: Actor,
    now: datetime,
) -> MessageTemplate:
    """Put the chain's own words in place of ours (`wording` None: ours again).

    `based_on` is the number of the version that counts (0: none). For managers of the whole
    chain. Raises NotAllowed, FieldsMalformed for words that could not be sent, TemplateOvertaken.
    """
    actor.require("message_template.write")
    if name not in MAY:
        known = ", ".join(sorted(MAY))
        raise field_malformed("/name", code="template", detail=f"There are {known}.")
    found = flaws(name, wording) if wording else []
    if found:
        raise _malformed(found)
    newest = newest_template(actor.chain_id, name, language=language)
    number = newest.number if newest else 0
    if number != based_on:
        raise TemplateOvertaken(in_force=number)
    words = wording.parts() if wording else {}
    with constraint_as(messagetemplate_number_once=TemplateOvertaken(in_force=number + 1)):
        return MessageTemplate.objects.create(
            chain_id=actor.chain_id,
            name=name,
            language=language,
            number=number + 1,
            withdrawn=wording is None,
            set_by_id=actor.staff_id,
            set_at=now,
            **words,
        )


def _malformed(found: list[Flaw]) -> FieldsMalformed:
    return FieldsMalformed(
        found[0].detail,
        errors=[
            {"pointer": f"/{one.part}", "code": one.code, "detail": one.detail} for one in found
        ],
    )
