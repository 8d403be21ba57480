"""A chain's own words for a text."""

from collections.abc import Collection, Sequence

from courses.channels import Wording
from courses.models import MessageTemplate


def newest_template(chain_id: int, name: str, *, language: str) -> MessageTemplate | None:
    """The newest version for a text and a language, withdrawn or not. One query."""
    rows = MessageTemplate.objects.filter(chain=chain_id, name=name, language=language)
    return rows.order_by("-number").first()


def own_wordings(
    chain_id: int, names: Collection[str], *, languages: Sequence[str]
) -> dict[str, dict[str, Wording]]:
    """The chain's own words for these texts, by name and by language. One query."""
    rows = MessageTemplate.objects.filter(
        chain=chain_id, name__in=names, language__in=languages
    ).order_by("name", "language", "-number")
    found: dict[str, dict[str, Wording]] = {name: {} for name in names}
    for one in rows.distinct("name", "language"):
        if not one.withdrawn:
            found[one.name][one.language] = Wording(one.subject, one.body, one.short)
    return found
