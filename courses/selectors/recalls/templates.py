"""A chain's own words for a text."""

from courses.channels import Wording
from courses.models import MessageTemplate


def newest_template(chain_id: int, name: str, *, language: str) -> MessageTemplate | None:
    """The newest version for a text and a language, withdrawn or not. One query."""
    rows = MessageTemplate.objects.filter(chain=chain_id, name=name, language=language)
    return rows.order_by("-number").first()


def own_wording(chain_id: int, name: str, *, language: str) -> Wording | None:
    """The chain's own words in that language; None where ours are used. One query."""
    found = newest_template(chain_id, name, language=language)
    if found is None or found.withdrawn:
        return None
    return Wording(found.subject, found.body, found.short)
